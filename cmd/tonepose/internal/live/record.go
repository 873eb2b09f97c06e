package live

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"time"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/multitone/recording"
)

// recorder keeps the samples of a source as they are read, so that all can be solved
// again. Its files have their names from the first sample on: a run that is killed leaves a
// recording of what had come, and one to which none came leaves, and replaces, none.
type recorder struct {
	source.Source
	as     recording.Description
	writer *recording.Writer // nil: no sample came yet
	data   *os.File
	final  bytes.Buffer // metadata
	to     recording.Output
	gaps   int // of the source that were noted
	pos    int64
	shift  int // of counts to 16 bits
	counts []int16
}

// checkRecord refuses a name under which samples cannot be kept.
func checkRecord(name string, force bool) error {
	if name == "" {
		return nil
	}
	to, err := recording.OutputOf(name)
	if err != nil || to.Format != "sigmf" && to.Format != "wav" {
		return fmt.Errorf("--record %s: must be SigMF (a name without extension, or .sigmf-meta) or RF64 (.wav)", name)
	}
	if err := files.Refuse(to.Data, force); err != nil {
		return err
	}
	if to.Meta != "" {
		if err := files.Refuse(to.Meta, force); err != nil {
			return err
		}
	}
	if dir := filepath.Dir(to.Data); !isFolder(dir) {
		return fmt.Errorf("--record %s: there is no directory %s: make it first, or name another", name, dir)
	}
	return nil
}

func isFolder(name string) bool {
	info, err := os.Stat(name)
	return err == nil && info.IsDir()
}

// record begins to keep the samples of a source.
func (o *Options) record(src source.Source, fullScale []float64) (*recorder, error) {
	info := src.Info()
	to, err := recording.OutputOf(o.Record)
	if err != nil {
		return nil, err
	}
	r := &recorder{Source: src, to: to}
	d := recording.Description{Format: r.to.Format, SampleRate: info.SampleRate, Names: info.Names, FullScale: fullScale,
		Text: "Kept by live from " + o.Recording, Recorder: o.Tool}
	if d.Format == "wav" {
		d.Format = "rf64"
	}
	switch {
	case info.Int16:
		d.Bits, d.FullScale, r.shift = 16, nil, max(0, 16-info.Bits)
		for _, scale := range info.Scale {
			d.FullScale = append(d.FullScale, math.Ldexp(scale, info.Bits-1))
		}
	case info.Integer:
		d.Bits = 24
	}
	if _, err := recording.NewWriter(io.Discard, io.Discard, d); err != nil {
		return nil, fmt.Errorf("--record %s: %w", o.Record, err)
	}
	r.as = d
	return r, nil
}

// begin makes the files.
func (r *recorder) begin() (err error) {
	if r.data, err = os.Create(r.to.Data); err != nil {
		return err
	}
	if r.writer, err = recording.NewWriter(r.data, &r.final, r.as); err != nil {
		r.data.Close()
		return err
	}
	r.writer.Start = r.Start()
	return nil
}

// describe writes the metadata as far as they are known.
func (r *recorder) describe() error {
	if r.to.Meta == "" {
		return nil
	}
	var b bytes.Buffer
	if err := r.writer.Describe(&b); err != nil {
		return err
	}
	return files.WriteFile(r.to.Meta, b.Bytes())
}

// ReadInt16 implements stream.Source.
func (r *recorder) ReadInt16(dst []int16) (int, error) {
	n, err := r.Source.ReadInt16(dst)
	if n == 0 {
		return n, err
	}
	counts := dst[:n*len(r.as.Names)]
	if r.shift > 0 {
		r.counts = r.counts[:0]
		for _, v := range counts {
			r.counts = append(r.counts, v<<r.shift)
		}
		counts = r.counts
	}
	if failed := r.note(n); failed != nil {
		return 0, failed
	}
	if failed := r.writer.WriteInt16(counts); failed != nil {
		return 0, fmt.Errorf("%s: %w", r.to.Data, failed)
	}
	return n, err
}

// ReadPlanar implements stream.Source.
func (r *recorder) ReadPlanar(dst [][]float64) (int, error) {
	n, err := r.Source.ReadPlanar(dst)
	if n == 0 {
		return n, err
	}
	view := make([][]float64, len(dst))
	for c := range view {
		view[c] = dst[c][:n]
	}
	if failed := r.note(n); failed != nil {
		return 0, failed
	}
	if failed := r.writer.Write(view); failed != nil {
		return 0, fmt.Errorf("%s: %w", r.to.Data, failed)
	}
	return n, err
}

// note notes when samples came, so many of them, and what was lost before them.
func (r *recorder) note(n int) error {
	changed := r.writer == nil
	if changed {
		if err := r.begin(); err != nil {
			return err
		}
	}
	for lost := r.Lost(); r.gaps < len(lost); r.gaps++ {
		g := &lost[r.gaps]
		changed = true
		if g.Samples > 0 {
			r.writer.Annotate(g.At-g.Samples, g.At, "lost and filled in: "+g.Why)
			continue
		}
		r.writer.Break(r.Arrived().Add(-time.Duration(float64(n) / r.Info().SampleRate * float64(time.Second))))
	}
	r.pos += int64(n)
	if changed {
		return r.describe()
	}
	return nil
}

// end completes the recording.
func (r *recorder) end() error {
	if r == nil || r.writer == nil {
		return nil
	}
	err := r.writer.Close()
	if closed := r.data.Close(); err == nil {
		err = closed
	}
	if err != nil || r.to.Meta == "" {
		return err
	}
	return files.WriteFile(r.to.Meta, r.final.Bytes())
}
