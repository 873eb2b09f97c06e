package footage

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/stat"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone/recording"
)

// The segments of a long stretch are taken evenly from all of it: white noise of σ 1 V, in
// the second half of 3 V, has the density of their mean square, (1+9)/2 · 2/fs one-sided;
// and a tone of the rig is named, with its amplitude.
func TestLongStretchIsHeardAsAWhole(t *testing.T) {
	r, err := rig.Load(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "pipe-bench.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	const rate, samples, tone = 200e3, 2 << 20, 2
	amplitude, hz := 0.5, r.Emitters[tone].ToneHz
	f := OfStream(recording.Info{Channels: 1, SampleRate: rate, Samples: -1})
	random := rand.New(rand.NewPCG(1, 2))
	x := make([]float32, samples)
	for i := range x {
		sigma := 1.0
		if i >= samples/2 {
			sigma = 3
		}
		x[i] = float32(sigma*random.NormFloat64() + amplitude*math.Cos(2*math.Pi*hz/rate*float64(i)))
	}
	f.ring.write([][]float32{x})
	h, err := f.Hear(t.Context(), r, []int{0}, 0, samples/rate)
	if err != nil {
		t.Fatal(err)
	}
	d := h.Densities[0]
	if !h.Spread || d.Segments != 2*mostPairs {
		t.Errorf("%d segments, spread %v: want %d", d.Segments, h.Spread, 2*mostPairs)
	}
	// At least eight pairs and some 13000 bins between the tones, of which neighbours share
	// half: the mean of all scatters by 1/√(8·13000/2) = 0.4 %, five times which is allowed.
	from, to := int(50e3/d.StepHz), int(90e3/d.StepHz)
	if want, have := (1.0+9)/2*2/rate, stat.Mean(d.PSD[from:to], nil); math.Abs(have/want-1) > 0.02 {
		t.Errorf("density %g V²/Hz, want %g", have, want)
	}
	found := false
	for _, l := range h.Lines {
		if l.Emitter == tone {
			found = l.Kind == "tone" && l.Name == r.Emitters[tone].Name
			// The line's power is that of the noise in a bin 100 times over and more: a tenth of its
			// amplitude is many times what noise moves it.
			if math.Abs(l.Peak/amplitude-1) > 0.1 || math.Abs(l.Hz-hz) > d.StepHz {
				t.Errorf("%g V at %g Hz, want %g V at %g Hz", l.Peak, l.Hz, amplitude, hz)
			}
		}
	}
	if !found {
		t.Errorf("the tone at %g Hz is not among %+v", hz, h.Lines)
	}
}

// A stretch that holds no segment is heard later.
func TestShortStretchIsHeardLater(t *testing.T) {
	f := OfStream(recording.Info{Channels: 1, SampleRate: 1000, Samples: -1})
	f.ring.write([][]float32{make([]float32, 200)})
	if _, err := f.Hear(t.Context(), &rig.Rig{}, []int{0}, 0, 0.2); err != ErrLater {
		t.Errorf("200 samples: %v, want %v", err, ErrLater)
	}
}
