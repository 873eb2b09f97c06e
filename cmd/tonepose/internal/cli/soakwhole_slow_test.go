//go:build slow && linux

package cli

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"strings"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/recording"
)

// isWhole is the error of a file that is not what its name says, to its end.
func isWhole(name string) error {
	text, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	if len(bytes.TrimSpace(text)) == 0 {
		return errors.New("is empty")
	}
	return wholeAs(name, text)
}

func wholeAs(name string, text []byte) error {
	ends := func(with string) error {
		if !bytes.HasSuffix(bytes.TrimRight(text, "\n\r "), []byte(with)) {
			return fmt.Errorf("does not end with %q", with)
		}
		return nil
	}
	switch filepath.Ext(name) {
	case ".parquet":
		d, err := tables.OpenDump(name)
		if err != nil {
			return err
		}
		return errors.Join(d.Check(), d.Close())
	case ".json":
		if !json.Valid(text) {
			return errors.New("is no JSON")
		}
	case ".sigmf-meta", ".wav", ".npy":
		return wholeRecording(name)
	case ".sigmf-data":
		return wholeRecording(strings.TrimSuffix(name, ".sigmf-data") + ".sigmf-meta")
	case ".svg":
		for d := xml.NewDecoder(bytes.NewReader(text)); ; {
			if _, err := d.Token(); err == io.EOF {
				return nil
			} else if err != nil {
				return err
			}
		}
	case ".png":
		_, err := png.Decode(bytes.NewReader(text))
		return err
	case ".pdf":
		return ends("%%EOF")
	case ".html":
		return ends("</html>")
	case ".csv":
		if json.Valid(text) { // the name of another format's file
			return nil
		}
		r := csv.NewReader(bytes.NewReader(text))
		r.Comment, r.ReuseRecord = '#', true
		for {
			if _, err := r.Read(); err == io.EOF {
				break
			} else if err != nil {
				return err
			}
		}
		fallthrough
	case ".yaml", ".txt":
		if text[len(text)-1] != '\n' {
			return errors.New("ends within a line")
		}
	}
	return nil
}

// wholeRecording reads a recording to its end, and compares its hash where it states one.
func wholeRecording(name string) error {
	var o recording.Options
	if filepath.Ext(name) == ".npy" {
		o.SampleRate = 1000 // it states none
	}
	r, err := recording.Open(context.Background(), name, o)
	if err != nil {
		return err
	}
	defer r.Close()
	block := make([][]float64, r.Info().Channels)
	for i := range block {
		block[i] = make([]float64, 4096)
	}
	for err == nil {
		_, err = r.ReadPlanar(block)
	}
	if err != io.EOF {
		return err
	}
	return r.Verify()
}
