package campaign

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/inspect"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/simulate"
)

func inspected(t *testing.T, name string) *inspect.Inspection {
	t.Helper()
	_, here, _, _ := runtime.Caller(0)
	var from measure.Input
	from.Recording, from.Rig = name, filepath.Join(filepath.Dir(here), "..", "..", "..", "..", "testdata", "rigs", "pipe-bench.rig.yaml")
	in, err := inspect.Run(t.Context(), from, "")
	if err != nil {
		t.Fatal(err)
	}
	return in
}

// listed tells how many recordings without any line list one, at rest, moving and
// between stations, and with mains up to its 80th harmonic.
func listed(t *testing.T, recordings int, seconds float64) (n int) {
	b := bench.New(PipeBench(t))
	for seed := range uint64(recordings) {
		random := rand.New(rand.NewPCG(seed+1, 60))
		how := simulate.Options{DurationS: seconds, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: 20, Seed: seed + 1}
		path := NewWander(random, 0, 0).Path(t, b, seconds)
		switch seed % 3 {
		case 1:
			path = NewWander(random, 0.3, 2).Path(t, b, seconds)
		case 2:
			path = Rests(t, b, seconds/3-20e-3, Pose(random), Pose(random), Pose(random))
			how.DurationS -= 20e-3
		}
		in := inspected(t, Record(t, b, path, how, nil))
		if lines := ofPickups(in); len(lines) > 0 {
			t.Logf("seed %d: %+v", seed+1, lines)
			n++
		}
	}
	return n
}

// ofPickups are the lines of channels with noise of more than a count: on the drive's
// the converter itself makes lines.
func ofPickups(in *inspect.Inspection) (lines []inspect.Line) {
	for _, l := range in.Lines {
		if l.Channel != "drive" {
			lines = append(lines, l)
		}
	}
	return lines
}

// A recording without lines shows none: each of three spectra may show one in a
// thousand by chance.
func TestInspectInventsNoLines(t *testing.T) {
	if n := listed(t, 3, 1.2); n > 0 {
		t.Errorf("%d of 3 recordings list lines", n)
	}
}

// Harmonics of the mains beside tones keep their name, whatever their number.
func TestInspectNamesLinesBesideTones(t *testing.T) {
	b := bench.New(PipeBench(t))
	random := rand.New(rand.NewPCG(1, 61))
	how := simulate.Options{DurationS: 1.5, Noise: 8e-9, FlickerHz: 200, ClockPPM: 20, Seed: 1}
	const mains = 50.013
	path := NewWander(random, 0, 0).Path(t, b, how.DurationS)
	hum := func(rate float64, x [][]float64) [][]float64 {
		for _, n := range []float64{1, 3, 5, 7, 103, 126, 152} {
			x = sinusoid(random, n*mains, 1e-3, 1e-3, 1e-3)(rate, x)
		}
		return x
	}
	in := inspected(t, Record(t, b, path, how, hum))
	if in.Mains == nil || math.Abs(in.Mains.Hz-mains) > 3*in.Mains.SigmaHz {
		t.Fatalf("mains %+v", in.Mains)
	}
	var said []string
	for _, l := range ofPickups(in) {
		said = append(said, l.Name)
	}
	for _, want := range []string{"103rd harmonic of 50", "126th harmonic of 50", "152nd harmonic of 50"} {
		if !strings.Contains(strings.Join(said, "\n"), want) {
			t.Errorf("lines %q, want %q", said, want)
		}
	}
	if len(said) != 3 {
		t.Errorf("lines %q, want three", said)
	}
}
