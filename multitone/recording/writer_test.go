package recording

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// write makes the files of a recording, in blocks of 7 samples.
func write(t *testing.T, name string, d Description, x [][]float64) string {
	t.Helper()
	to, err := OutputOf(name)
	if d.Format == "raw" {
		to, err = Output{Data: name}, nil
	}
	if err != nil {
		t.Fatal(err)
	}
	if d.Format == "" {
		d.Format = to.Format
	}
	var data, meta bytes.Buffer
	w, err := NewWriter(&data, &meta, d)
	if err != nil {
		t.Fatal(err)
	}
	for at := 0; at < len(x[0]); at += 7 {
		view := make([][]float64, len(x))
		for c := range x {
			view[c] = x[c][at:min(at+7, len(x[c]))]
		}
		if err := w.Write(view); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to.Data, data.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	if to.Meta != "" {
		if err := os.WriteFile(to.Meta, meta.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return to.Data
}

// What a Writer wrote reads back as what was written: volts of whole counts and of whole numbers exactly.
func TestWrittenRecordingsReadBack(t *testing.T) {
	start := time.Date(2026, 2, 3, 4, 5, 6, 0, time.UTC)
	for _, ext := range []string{".sigmf-meta", ".wav", ".npy", ".csv", ".raw"} {
		for bits, raw := range map[int]string{0: "rf32_le", 8: "ri8", 16: "ri16_le", 24: "ri24_le"} {
			t.Run(fmt.Sprintf("%s, %d bits", ext, bits), func(t *testing.T) {
				x := ramp(3, 101)
				d := Description{SampleRate: 1000, Names: []string{"a", "b", "c"}, Bits: bits, Samples: 101, FullScale: []float64{2, 2, 2}, Start: start}
				o := Options{SampleRate: 1000, Names: d.Names, FullScale: []float64{2}}
				if ext == ".raw" {
					d.Format, o.Format = "raw", raw
				}
				if bits > 0 && ext != ".csv" {
					x = scaled(x, 2/math.Ldexp(1, bits-1))
				}
				r := open(t, write(t, filepath.Join(t.TempDir(), "x"+ext), d, x), o)
				if diff := cmp.Diff(x, readAll(t, r, 50)); diff != "" {
					t.Errorf("-written +read:\n%s", diff)
				}
				if in := r.Info(); ext == ".sigmf-meta" && !in.Start.Equal(start) || in.SampleRate != 1000 {
					t.Errorf("starts %v, rate %g Hz", in.Start, in.SampleRate)
				}
			})
		}
	}
}

// WAV files written from their specifications, except that the channels are no loudspeakers: a plain header for up to
// two channels, an extensible one for more.
func TestWritesThePublishedHeaders(t *testing.T) {
	written := 0
	for _, c := range headerCases(t) {
		bits := map[string]int{"pcm16 stereo": 16, "pcm24 mono, 9-byte data chunk with pad byte": 24, "WAVE_FORMAT_EXTENSIBLE 24-bit, 3 channels": 24}[c.Name]
		if bits == 0 {
			continue
		}
		written++
		want, frames := c.bytes(t), rows(t, c.Expected.Samples)
		if c.Expected.Channels > 2 {
			const mask = 12 + 8 + 20
			want[mask] = 0
		}
		x, full := make([][]float64, c.Expected.Channels), make([]float64, c.Expected.Channels)
		for i := range x {
			full[i] = math.Ldexp(1, bits-1)
			for _, frame := range frames {
				x[i] = append(x[i], frame[i])
			}
		}
		var got bytes.Buffer
		w, err := NewWriter(&got, nil, Description{Format: "wav", SampleRate: c.Expected.Rate, Names: make([]string, len(x)), Bits: bits,
			Samples: int64(len(frames)), FullScale: full})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Write(x); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got.Bytes()); diff != "" {
			t.Errorf("%s: -specified +written:\n%s", c.Name, diff)
		}
	}
	if written != 3 {
		t.Errorf("%d of 3 cases", written)
	}
}

func TestOutputOfOtherFormats(t *testing.T) {
	for _, name := range []string{"x.mp3", "a/x.flac", "x.WAV", "run.sigmf"} {
		if _, err := OutputOf(name); err == nil {
			t.Errorf("%s: no error", name)
		} else {
			contains(t, err, name, ".wav, .npy, .csv or .sigmf-meta")
		}
	}
	for name, stem := range map[string]string{"run": "run", "day.1": "day.1", "run.2026-03-01": "run.2026-03-01", "x.mp3.sigmf-meta": "x.mp3", "a.b/run": "a.b/run"} {
		if to, err := OutputOf(name); err != nil || to.Stem != stem || to.Format != "sigmf" {
			t.Errorf("%s: %+v, %v", name, to, err)
		}
	}
}

func TestWriterRefuses(t *testing.T) {
	for _, c := range []struct {
		d     Description
		parts []string
	}{
		{Description{Format: "wav", SampleRate: 1000, Bits: 12}, []string{"12 bits", "8, 16 or 24"}},
		{Description{Format: "mp3", SampleRate: 1000, Bits: 16}, []string{`"mp3"`, "sigmf, wav"}},
		{Description{Format: "wav", SampleRate: 1000.5, Bits: 16, Samples: 1}, []string{"whole sample rate", "1000.5 Hz"}},
		{Description{Format: "wav", SampleRate: 1000, Samples: 1}, []string{"channel a", "full scale"}},
		{Description{Format: "sigmf", SampleRate: 1000, Bits: 24}, []string{"channel a", "full scale"}},
		{Description{Format: "wav", SampleRate: 1000, Bits: 16}, []string{"wav", "not known", "SigMF"}},
		{Description{Format: "wav", SampleRate: 1000, Bits: 16, Samples: 1 << 31}, []string{"4 GiB", "SigMF"}},
		{Description{Format: "npy", SampleRate: 1000, Bits: 16}, []string{"npy", "not known"}},
	} {
		c.d.Names = []string{"a"}
		if _, err := NewWriter(new(bytes.Buffer), nil, c.d); err == nil {
			t.Errorf("%+v: no error", c.d)
		} else {
			contains(t, err, c.parts...)
		}
	}
	var b bytes.Buffer
	w, err := NewWriter(&b, nil, Description{Format: "npy", SampleRate: 1000, Bits: 16, Samples: 2, Names: []string{"a"}, FullScale: []float64{1}})
	if err != nil {
		t.Fatal(err)
	}
	w.Write([][]float64{{1}})
	if err := w.Close(); err == nil {
		t.Error("one sample of two: no error")
	} else {
		contains(t, err, "1 samples written", "states 2")
	}
}

// Integers are rounded to the nearest count, ties to even, and clipped at the ends of the range.
func TestWriterRoundsAndClips(t *testing.T) {
	var b bytes.Buffer
	w, err := NewWriter(&b, nil, Description{Format: "raw", SampleRate: 1000, Bits: 8, Names: []string{"a"}, FullScale: []float64{128}})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write([][]float64{{0.4, 0.5, 1.5, -0.6, 127.4, 128, 1e9, -128, -129}}); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]byte{0, 0, 2, 255, 127, 127, 127, 128, 128}, b.Bytes()); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}
