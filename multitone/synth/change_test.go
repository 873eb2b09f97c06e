package synth_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"tonepose/multitone/synth"
)

// changeAt is a sample that is no multiple of anything that the generator has.
const changeAt = 3001

func changed() synth.Config {
	return synth.Config{
		Rate: 100e3, Samples: 6000, ClockPPM: 20, Seed: 3, Mains: synth.Mains{Hz: 50.01},
		Tones: []synth.Tone{{Hz: 5125, Current: 0.5, Phase: 0.4}, {Hz: 7025, Current: 0.3}},
		Channels: []synth.Channel{
			{Pickup: true, Gain: 100, Delay: 1.5e-6, Mains: 1e-3, Transimpedance: []complex128{1e-5i, 2e-5}},
			{Pickup: true, Gain: 50},
			{Transimpedance: []complex128{0.8, 0.8}, Delay: 2e-6},
		},
		Couplings: constant(3e-7, 1e-7+2e-8i, -2e-7, 4e-8),
	}
}

// What is changed at a sample is from there on what it would be had it always been so,
// and before it what it would be without the change.
func TestChangesHoldFromTheirSampleOn(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*synth.Generator)
		always func(*synth.Config)
	}{
		"drive off":       {func(g *synth.Generator) { g.SetCurrent(0, 0) }, func(c *synth.Config) { c.Tones[0].Current = 0 }},
		"emitter away":    {func(g *synth.Generator) { g.SetCoupled(1, 0) }, func(c *synth.Config) { c.Couplings = constant(3e-7, 0, -2e-7, 0) }},
		"coil unplugged":  {func(g *synth.Generator) { g.SetPlugged(0, 0) }, func(c *synth.Config) { c.Channels[0].Gain = 1e-300 }},
		"coil reversed":   {func(g *synth.Generator) { g.SetPlugged(1, -1) }, func(c *synth.Config) { c.Channels[1].Gain = -50 }},
		"mains":           {func(g *synth.Generator) { g.SetMains(1, 2e-3) }, func(c *synth.Config) { c.Channels[1].Mains = 2e-3 }},
		"no mains":        {func(g *synth.Generator) { g.SetMains(0, 0) }, func(c *synth.Config) { c.Channels[0].Mains = 0 }},
		"nothing changed": {func(g *synth.Generator) {}, func(c *synth.Config) {}},
	} {
		t.Run(name, func(t *testing.T) {
			before, after := changed(), changed()
			c.always(&after)
			if name == "coil unplugged" { // its hum stays
				after.Channels[0].Transimpedance = nil
			}
			config := changed()
			var g *synth.Generator
			config.Before = func(first int64) (int64, error) {
				if first == changeAt {
					c.change(g)
				}
				if first < changeAt {
					return changeAt, nil
				}
				return math.MaxInt64, nil
			}
			g, err := synth.New(config)
			if err != nil {
				t.Fatal(err)
			}
			got := make([][]float64, 3)
			for i := range got {
				got[i] = make([]float64, 6000)
			}
			if n, err := g.ReadPlanar(got); n != 6000 || err != nil {
				t.Fatalf("%d samples, error %v", n, err)
			}
			old, new := draw(t, before, 6000), draw(t, after, 6000)
			for i := range got {
				want := slices.Concat(old[i][:changeAt], new[i][changeAt:])
				size := math.Max(slices.Max(want), -slices.Min(want))
				for n, v := range got[i] {
					// The phase at a chunk's first sample is new rounding: see rounding.
					if math.Abs(v-want[n]) > rounding*size {
						t.Fatalf("channel %d, sample %d: %g V, want %g V", i, n, v, want[n])
					}
				}
			}
		})
	}
}

// Noise of a density that changes: its variance from the sample on, that of its flicker too.
func TestNoiseChangesItsDensity(t *testing.T) {
	const n, rate, density = 200000, 100e3, 2e-6
	for _, corner := range []float64{0, 500} {
		for _, first := range []float64{0, 0.5e-6, 4e-6} {
			var g *synth.Generator
			g, err := synth.New(synth.Config{Rate: rate, Seed: 5,
				Channels: []synth.Channel{{Noise: synth.Noise{Density: first, Corner: corner}}},
				Before: func(at int64) (int64, error) {
					if at == 1000 {
						g.SetNoise(0, density)
					}
					if at < 1000 {
						return 1000, nil
					}
					return math.MaxInt64, nil
				}})
			if err != nil {
				t.Fatal(err)
			}
			x := make([]float64, n+1000)
			if _, err := g.ReadPlanar([][]float64{x}); err != nil {
				t.Fatal(err)
			}
			// Differences of neighbours hold next to nothing of the flicker, which rises
			// toward low frequencies: 2·σ², σ² = density²·rate/2. The flicker's share is
			// 2·density²·∫ corner/f·(1 − cos 2πf/rate) df < 2·density²·corner·1.65.
			sum := 0.0
			for i := 1001; i < len(x); i++ {
				sum += (x[i] - x[i-1]) * (x[i] - x[i-1])
			}
			got, want := sum/(n-1), density*density*rate
			// The mean of n squared differences scatters by √(3/n): 0.4 %; four sigmas.
			if most := 4*math.Sqrt(3./n) + 3.3*corner/rate; math.Abs(got/want-1) > most {
				t.Errorf("corner %g Hz, density from %g: mean squared difference %g V², want %g V² within %.2g", corner, first, got, want, most)
			}
		}
	}
}

// An error of Before ends the samples at the one that it stands before.
func TestBeforeEndsTheSamples(t *testing.T) {
	end := errors.New("the path ends")
	g, err := synth.New(synth.Config{Rate: 1000, Channels: []synth.Channel{{Offset: 1}}, Before: func(first int64) (int64, error) {
		if first == 700 {
			return 0, end
		}
		return 700, nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	x := [][]float64{make([]float64, 1000)}
	if n, err := g.ReadPlanar(x); n != 700 || err != end {
		t.Errorf("%d samples, error %v; want 700 and %v", n, err, end)
	}
}
