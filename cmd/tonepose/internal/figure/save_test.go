package figure

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/files"
)

func TestSave(t *testing.T) {
	dir := t.TempDir()
	f := Matrix(MatrixData{Title: "One", Rows: []string{"e1"}, Columns: []string{"rx1"}, Value: []float64{1e-9}, Quantity: "coupling", Unit: "H"})
	to, err := files.Into(dir, false)
	if err != nil {
		t.Fatal(err)
	}
	defer to.Abort()
	for _, name := range []string{"f.png", "F.SVG", "f.pdf"} {
		if err := f.Save(to, name); err != nil {
			t.Fatal(err)
		}
	}
	if err := to.Commit(); err != nil {
		t.Fatal(err)
	}
	for name, begin := range map[string]string{"f.png": "\x89PNG", "F.SVG": "<?xml", "f.pdf": "%PDF-1."} {
		if text, err := os.ReadFile(filepath.Join(dir, name)); err != nil || !strings.HasPrefix(string(text), begin) {
			t.Errorf("%s begins with %.5q, %v", name, text, err)
		}
	}
	data, err := os.ReadFile(filepath.Join(dir, "f.png"))
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if want := int(math.Round(f.Width.Dots(180))); img.Bounds().Dx() != want {
		t.Errorf("%d pixels wide, want %d, 180 to an inch", img.Bounds().Dx(), want)
	}
	if err := f.Save(&files.Batch{}, filepath.Join(dir, "f.eps")); err == nil || !strings.Contains(err.Error(), "must be png, svg or pdf") {
		t.Errorf("eps: %v", err)
	}
}

// The same data give the same bytes, so that a figure can be kept under version
// control; and the SVG is well-formed.
func TestBytesAreStable(t *testing.T) {
	for _, draw := range []func() *Figure{
		func() *Figure { return Path(inventedBench(100, 1e-3)) },
		func() *Figure { return Spectrum(inventedSpectrum(500, 100e3)) },
		func() *Figure { return Accuracy(inventedAccuracy(100, 1)) },
	} {
		var first, second bytes.Buffer
		if err := draw().Write(&first, "svg"); err != nil {
			t.Fatal(err)
		}
		if err := draw().Write(&second, "svg"); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(first.Bytes(), second.Bytes()) {
			t.Error("two drawings differ")
		}
		var one, other bytes.Buffer
		if err := errors.Join(draw().Write(&one, "pdf"), draw().Write(&other, "pdf")); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(one.Bytes(), other.Bytes()) {
			t.Error("two pages of PDF differ")
		}
		if strings.Contains(first.String(), "NaN") {
			t.Error("a coordinate is NaN")
		}
		decoder := xml.NewDecoder(&first)
		for {
			if _, err := decoder.Token(); err == io.EOF {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
	}
}
