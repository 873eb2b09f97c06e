package recording

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// keep writes counts to files, as a stream is kept whose end is not known.
func keep(t *testing.T, d Description, counts []int16, between func(*Writer)) (w *Writer, name string, end func()) {
	t.Helper()
	name = filepath.Join(t.TempDir(), "kept")
	if d.Format == "rf64" {
		name += ".wav"
	}
	to, err := OutputOf(name)
	if err != nil {
		t.Fatal(err)
	}
	data, err := os.Create(to.Data)
	if err != nil {
		t.Fatal(err)
	}
	var meta strings.Builder
	if w, err = NewWriter(data, &meta, d); err != nil {
		t.Fatal(err)
	}
	half := len(counts) / len(d.Names) / 2 * len(d.Names)
	if err := w.WriteInt16(counts[:half]); err != nil {
		t.Fatal(err)
	}
	between(w)
	if err := w.WriteInt16(counts[half:]); err != nil {
		t.Fatal(err)
	}
	return w, name, func() {
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if err := data.Close(); err != nil {
			t.Fatal(err)
		}
		if to.Meta != "" {
			if err := os.WriteFile(to.Meta, []byte(meta.String()), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func someCounts(n int) []int16 {
	list := make([]int16, n)
	for i := range list {
		list[i] = int16(i*7919 - 20000)
	}
	return list
}

// An RF64 file whose end never came is read to its end with a warning, one that was
// closed without.
func TestRF64OfUnknownLength(t *testing.T) {
	d := Description{Format: "rf64", SampleRate: 1000, Names: []string{"a", "b", "c"}, Bits: 16, FullScale: []float64{1, 1, 1}}
	counts := someCounts(3 * 101)
	w, name, end := keep(t, d, counts, func(*Writer) {})
	for _, closed := range []bool{false, true} {
		if closed {
			end()
		} else if err := w.data.Flush(); err != nil {
			t.Fatal(err)
		}
		r := open(t, name, Options{FullScale: []float64{1}})
		in := r.Info()
		if in.Format != "RF64" || in.Samples != 101 || (len(in.Warnings) == 0) != closed {
			t.Errorf("closed %v: %s of %d samples, warnings %v", closed, in.Format, in.Samples, in.Warnings)
		}
		have := make([]int16, len(counts))
		if n, err := r.ReadInt16(have); n != 101 || err != nil {
			t.Fatal(n, err)
		}
		if diff := cmp.Diff(counts, have); diff != "" {
			t.Errorf("closed %v: -written +read:\n%s", closed, diff)
		}
	}
}

// RF64 notes breaks and what was filled in as cue points with labels and lengths behind
// the samples, which are read as before; the sizes of the form hold them. Layout: Multimedia
// Programming Interface and Data Specifications 1.0 (not checked against the original).
func TestRF64NotesBreaks(t *testing.T) {
	start := time.Date(2026, 2, 3, 4, 5, 6, 0, time.UTC)
	d := Description{Format: "rf64", SampleRate: 1000, Names: []string{"a", "b", "c"}, Bits: 16, FullScale: []float64{1, 1, 1}, Start: start}
	counts := someCounts(3 * 201)
	_, name, end := keep(t, d, counts, func(w *Writer) {
		w.Annotate(90, 100, "filled in")
		w.Break(start.Add(600 * time.Millisecond))
	})
	end()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	le := binary.LittleEndian
	if riff := le.Uint64(b[20:]); string(b[12:16]) != "ds64" || riff != uint64(len(b)-8) {
		t.Errorf("a form of %d bytes, the file has %d", riff, len(b))
	}
	samples := bytes.Index(b, []byte("data")) + 8
	b = b[samples+2*len(counts):]
	type cue struct {
		at, length uint32
		text       string
	}
	notes := map[uint32]*cue{}
	chunks := func(b []byte, do func(id string, body []byte)) {
		for len(b) >= 8 {
			n := int(le.Uint32(b[4:]))
			do(string(b[:4]), b[8:8+n])
			b = b[8+n+n&1:]
		}
		if len(b) > 0 {
			t.Errorf("%d bytes behind the last chunk", len(b))
		}
	}
	chunks(b, func(id string, body []byte) {
		switch id {
		case "cue ":
			for k := range int(le.Uint32(body)) {
				p := body[4+24*k:]
				notes[le.Uint32(p)] = &cue{at: le.Uint32(p[20:])}
				if string(p[8:12]) != "data" {
					t.Errorf("cue point %d in chunk %q", k, p[8:12])
				}
			}
		case "LIST":
			chunks(body[4:], func(id string, body []byte) {
				switch n := notes[le.Uint32(body)]; id {
				case "labl":
					n.text = string(bytes.TrimRight(body[4:], "\x00"))
				case "ltxt":
					n.length = le.Uint32(body[4:])
				}
			})
		}
	})
	found := map[cue]bool{}
	for _, n := range notes {
		found[*n] = true
	}
	want := map[cue]bool{{90, 10, "filled in"}: true, {100, 0, "time broke: the samples from here on began to come at 2026-02-03T04:05:06.600000Z"}: true}
	if diff := cmp.Diff(want, found, cmp.AllowUnexported(cue{})); diff != "" {
		t.Errorf("-want +found:\n%s", diff)
	}
	r := open(t, name, Options{FullScale: []float64{1}})
	if in := r.Info(); in.Samples != 201 || len(in.Warnings) > 0 {
		t.Errorf("%d samples, warnings %v", in.Samples, in.Warnings)
	}
}

// Where time broke, SigMF begins a capture, and the samples lost there are told by the
// times of day: 0.5 s at 1000 Hz.
func TestSigMFTellsBreaks(t *testing.T) {
	start := time.Date(2026, 2, 3, 4, 5, 6, 0, time.UTC)
	d := Description{Format: "sigmf", SampleRate: 1000, Names: []string{"a", "b"}, Bits: 16, FullScale: []float64{1, 1}, Start: start}
	counts := someCounts(2 * 200)
	_, name, end := keep(t, d, counts, func(w *Writer) {
		w.Annotate(90, 100, "filled in")
		w.Break(start.Add(600 * time.Millisecond))
	})
	end()
	r := open(t, name, Options{FullScale: []float64{1}})
	if c := r.Info().Captures; len(c) != 2 || c[1].Start != 100 || c[1].Missing != 500 || c[1].Time != 0.6 {
		t.Errorf("captures %+v", c)
	}
	have := make([]int16, len(counts))
	for at := 0; at < len(have); {
		n, err := r.ReadInt16(have[at:])
		if err != nil {
			t.Fatal(err)
		}
		at += 2 * n
	}
	if diff := cmp.Diff(counts, have); diff != "" {
		t.Error(diff)
	}
	text, err := os.ReadFile(sigmfStem(name) + metaExt)
	if err != nil || !strings.Contains(string(text), `"core:comment": "filled in"`) {
		t.Errorf("%v: %s", err, text)
	}
}

// Metadata without a hash, written before the samples, suit whatever comes of them.
func TestSigMFCutShort(t *testing.T) {
	d := Description{Format: "sigmf", SampleRate: 1000, Names: []string{"a"}, Bits: 16, FullScale: []float64{1}}
	counts := someCounts(50)
	w, name, _ := keep(t, d, counts, func(*Writer) {})
	var meta strings.Builder
	if err := w.Describe(&meta); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(sigmfStem(name)+metaExt, []byte(meta.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := w.data.Flush(); err != nil {
		t.Fatal(err)
	}
	r := open(t, name, Options{FullScale: []float64{1}})
	if n := r.Info().Samples; n != 50 {
		t.Errorf("%d samples, want 50", n)
	}
}
