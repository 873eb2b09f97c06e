package campaign

import (
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/metal"
)

// A ball of aluminium so near a bench that every pose of the path is off by far more than
// its noise, followed live: distorted while it is there,
// from within a second of its coming to within a second of its going, and neither before
// nor later.
func TestMetalIsNamedLive(t *testing.T) {
	t.Parallel()
	r := PipeBench(t)
	path, err := simulate.BuiltinPath("sweep", r, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	const seconds = 4.5
	g, err := simulate.NewGenerator(t.Context(), r, path, simulate.Options{Bits: 16, Noise: 5e-9, MainsHz: 50, MainsV: 1e-5, ClockPPM: 20, Seed: 1},
		int64(seconds*r.SampleRateHz))
	if err != nil {
		t.Fatal(err)
	}
	ball, err := g.AddMetal(rig.Metal{Name: "ball", Shape: "ball", CenterM: r3.Vec{Y: 0.18, Z: 0.15}, RadiusM: 0.035, Material: metal.Materials["aluminium"]})
	if err != nil {
		t.Fatal(err)
	}
	for at, present := range map[float64]bool{1: true, 2.5: false} {
		if _, err := g.Change(int64(at*r.SampleRateHz), simulate.Metal{Metal: ball, Present: present}); err != nil {
			t.Fatal(err)
		}
	}
	e, err := engine.New(bench.New(r), engine.Options{Causal: true, Windows: stream.Windows{Length: 0.01, Hop: 0.01}})
	if err != nil {
		t.Fatal(err)
	}
	var frames, flagged [3]int // before, while it is there a second, and a second after
	_, _, err = e.Run(t.Context(), g, func(o *engine.Observation) error {
		part := -1
		switch at := o.Measured.Time; {
		case at < 0.99:
			part = 0
		case at > 2 && at < 2.49:
			part = 1
		case at > 3.5:
			part = 2
		}
		if part >= 0 {
			frames[part]++
			if o.Sensors[0].Flags&verdict.Distorted != 0 {
				flagged[part]++
			}
		}
		return nil
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%v of %v frames are distorted", flagged, frames)
	if flagged[0]+flagged[2] > 0 || flagged[1] < frames[1]*9/10 || frames[1] < 40 {
		t.Errorf("%v of %v frames are distorted before, while the ball is there, and after", flagged, frames)
	}
}
