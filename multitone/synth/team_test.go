package synth

import (
	"errors"
	"fmt"
	"runtime"
	"slices"
	"testing"
)

// Channels are computed side by side, and the samples are those of one processor.
func TestSamplesDoNotDependOnProcessors(t *testing.T) {
	c := Config{Rate: 1e5, Samples: 5000, Seed: 1, KnotStep: 1e-3, Mains: Mains{Hz: 50}, Tones: []Tone{{Hz: 5e3, Current: 1}, {Hz: 7e3, Current: 1}},
		Couplings: func(at float64, m, dm []complex128) error {
			for i := range m {
				m[i], dm[i] = complex(1e-6*float64(i+1)*at, 0), complex(1e-6*float64(i+1), 0)
			}
			return nil
		}}
	for i := range 7 {
		c.Channels = append(c.Channels, Channel{Pickup: i < 5, Mains: 1e-3, Noise: Noise{Density: 1e-6, Corner: 100}, Quantiser: Quantiser{16, 0.1}})
	}
	samples := func(processors int) [][]float64 {
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(processors))
		g, err := New(c)
		if err != nil {
			t.Fatal(err)
		}
		out := make([][]float64, len(c.Channels))
		for i := range out {
			out[i] = make([]float64, c.Samples)
		}
		if _, err := g.ReadPlanar(out); err != nil {
			t.Fatal(err)
		}
		return out
	}
	one, four := samples(1), samples(4)
	for i := range one {
		if !slices.Equal(one[i], four[i]) {
			t.Errorf("channel %d differs", i)
		}
	}
}

// The error is that of the first task that fails, whichever ends first.
func TestTeamNamesTheFirstFailure(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(4))
	odd := newTeam(func(i int) error {
		if i%2 == 1 {
			return errors.New(fmt.Sprint(i))
		}
		return nil
	})
	for range 100 {
		if err := odd.run(20); err == nil || err.Error() != "1" {
			t.Fatalf("error %v, want that of task 1", err)
		}
		if err := odd.run(1); err != nil {
			t.Fatal(err)
		}
	}
}
