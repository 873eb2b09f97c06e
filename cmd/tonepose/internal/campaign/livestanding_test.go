package campaign

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/metal"
)

// What no frame by itself tells from the rest is told by frames of a sensor at rest
// together: the gain of a coil that is off by so little that a frame does not fit but
// metal would explain it as well, and metal of which the quadrature parts drown in the
// noise of a frame. It is named within a second, and so is its end; nothing else is named.
func TestStandingDataNameWhatFramesDoNot(t *testing.T) {
	b := bench.New(PipeBench(t))
	r := b.Rig()
	const from, to, seconds = 1.5, 3.2, 4.5
	second := b.Sensors()[0].Channels[1]
	ball := func(g *simulate.Generator) (on, off simulate.Change) {
		at, err := g.AddMetal(rig.Metal{Name: "ball", Shape: "ball", CenterM: r3.Vec{X: 0.1, Y: 0.1, Z: 0.1}, RadiusM: 0.02, Material: metal.Materials["stainless"]})
		if err != nil {
			t.Fatal(err)
		}
		return simulate.Metal{Metal: at, Present: true}, simulate.Metal{Metal: at}
	}
	gain := func(*simulate.Generator) (on, off simulate.Change) {
		return simulate.Leads{Channel: second, Factor: 1.01}, simulate.Leads{Channel: second, Factor: 1}
	}
	for _, c := range []struct {
		name   string
		leave  bool    // it out
		noise  float64 // [V/√Hz]
		change func(*simulate.Generator) (on, off simulate.Change)
		flag   verdict.Flags
		names  string
	}{
		{"gain", false, 24e-9, gain, verdict.WrongChannel, b.Sensors()[0].Coils[1]},
		{"gain, left out", true, 24e-9, gain, verdict.WrongChannel, b.Sensors()[0].Coils[1]},
		{"ball", false, 12e-9, ball, verdict.Distorted, verdict.EddyFinding},
	} {
		rest := NewWander(rand.New(rand.NewPCG(3, 12)), 0, 0)
		path := rest.Path(t, b, seconds)
		g, err := simulate.NewGenerator(t.Context(), r, path, simulate.Options{Bits: 16, Noise: c.noise, MainsHz: 50, MainsV: 5e-6, ClockPPM: 50, Seed: 1}, int64(seconds*r.SampleRateHz))
		if err != nil {
			t.Fatal(err)
		}
		on, off := c.change(g)
		for at, change := range map[float64]simulate.Change{from: on, to: off} {
			if _, err := g.Change(int64(at*r.SampleRateHz), change); err != nil {
				t.Fatal(err)
			}
		}
		var events []engine.Event
		var left Score // of poses without what was named, while it was there
		e, err := engine.New(b, engine.Options{Windows: hann(10e-3), Causal: true, Verdict: verdict.Options{LeaveOut: c.leave}, Event: func(v engine.Event) { events = append(events, v) }})
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := e.Run(t.Context(), g, func(seen *engine.Observation) error {
			v := &seen.Sensors[0]
			if (seen.Time < from-0.02 || seen.Time > to+1) && v.Flags != 0 {
				t.Errorf("%s, %.3f s: %v, %s", c.name, seen.Time, v.Flags, v.Verdict.Finding)
			}
			if c.leave && v.Flags&verdict.WrongChannel != 0 && seen.Time < to {
				left.Add(t, v.Fit.Pose, &v.Fit.Covariance, rest.At(seen.Time))
			}
			return nil
		}, nil); err != nil {
			t.Fatal(err)
		}
		var text []string
		named, over := false, false
		for _, v := range events {
			text = append(text, fmt.Sprintf("%.3f s: begins %t, ends %t: %s", v.Time, v.Begins, v.Ends, v.Text))
			if v.Flag != c.flag || !strings.Contains(v.Text, c.names) {
				continue
			}
			named = named || !v.Ends && v.Time > from && v.Time <= from+1
			over = over || v.Ends && v.Time > to && v.Time <= to+1
		}
		t.Logf("%s:\n%s", c.name, strings.Join(text, "\n"))
		if c.leave {
			if left.Log(t); left.N < 110 {
				t.Errorf("%d poses without what was named, want at least 110", left.N)
			}
			left.Covers(t, 0)
		}
		if !named || !over {
			t.Errorf("%s: named %t, over %t, want both within a second", c.name, named, over)
		}
	}
}
