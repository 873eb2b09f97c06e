package source

import (
	"fmt"
	"io"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// Lines of text with times: a short loss is filled so that time goes on, a long one breaks it.
func TestLinesWithLosses(t *testing.T) {
	var b strings.Builder
	b.WriteString("time_s,a\n")
	at := 0
	for row := range 300 {
		switch row {
		case 100:
			at += 50
		case 200:
			at += 10_001
		case 290:
			at += 10_000 // the most that is filled: 10 s at 1 kHz
		}
		fmt.Fprintf(&b, "%.3f,%d\n", float64(at)/1000, row)
		at++
	}
	o := Options{Reading: recording.Options{SampleRate: 1000, Names: []string{"a"}, Stdin: strings.NewReader(b.String())}}
	src := open(t, "-", o)
	m := recording.NewMonitor(src.Info())
	src.Watch(m)
	dst := [][]float64{make([]float64, 70)}
	n, next := 0, 0.0
	for {
		got, err := src.ReadPlanar(dst)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range dst[0][:got] {
			at, want := n+i, next
			if at >= 100 && at < 150 || at >= 340 && at < 10_340 {
				want = next - 1 // stands in for what was lost
			} else {
				next++
			}
			if v != want {
				t.Fatalf("sample %d is %g, want %g", at, v, want)
			}
		}
		n += got
	}
	if n != 300+50+10_000 {
		t.Errorf("%d samples", n)
	}
	watch(t, src).lost(stream.Gap{At: 150, Samples: 50, Why: "50 samples lost"}, stream.Gap{At: 250, Why: "10001 samples lost"},
		stream.Gap{At: 10_340, Samples: 10_000, Why: "10000 samples lost"})
	for _, c := range []struct {
		start, stop int64
		gap, broken bool
	}{{0, 100, false, false}, {100, 150, true, false}, {150, 249, false, false}, {249, 251, true, true}, {251, 340, false, false}, {340, 10_340, true, false}, {10_340, 10_350, false, false}} {
		if gap, broken := m.Flags(0, c.start, c.stop)&recording.Gap != 0, m.Slipped(c.start, c.stop); gap != c.gap || broken != c.broken {
			t.Errorf("samples %d to %d: gap %v, broken %v", c.start, c.stop, gap, broken)
		}
	}
}

// Who reads ahead has samples checked later; what was lost it is told by the source alone.
func TestLossesReadAhead(t *testing.T) {
	o := Options{Reading: recording.Options{SampleRate: 1000, Channels: 1, Stdin: strings.NewReader("0,1\n0.001,2\n0.004,3\n60,4\n")}}
	src := open(t, "-", o)
	marks := recording.NewMarks(src.Info())
	src.Watch(marks)
	x := [][]float64{make([]float64, 10)}
	n := 0
	for {
		got, err := src.ReadPlanar(x)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		n += got
	}
	if n != 6 || len(marks.TakeMarks(nil)) != 0 {
		t.Errorf("%d samples", n)
	}
	watch(t, src).lost(stream.Gap{At: 4, Samples: 2, Why: "2 samples lost"}, stream.Gap{At: 5, Why: "59995 samples lost"})
}

// What ends within a sample, or before the length of its header, says so.
func TestCutAtTheEnd(t *testing.T) {
	for text, want := range map[string]stream.Gap{
		string(counts(7)): {At: 3, Why: "2 bytes at the end are no whole sample"},
		"RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00\xe8\x03\x00\x00\xa0\x0f\x00\x00\x04\x00\x10\x00data\x40\x00\x00\x00" + string(counts(8)): {At: 4, Why: "the header promises 48 bytes more"},
	} {
		o := fed(strings.NewReader(text))
		if text[0] == 'R' {
			o.Reading.Format = ""
		}
		src := open(t, "-", o)
		if n := readAll(t, src); int64(n) != want.At {
			t.Errorf("%d samples", n)
		}
		w := watch(t, src)
		w.lost(want)
		src.ReadInt16(w.dst)
		w.lost(want)
	}
}
