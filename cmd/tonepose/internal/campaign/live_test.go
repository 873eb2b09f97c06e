package campaign

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/metal"
	"tonepose/multitone/recording"
)

// settled is when a stream's clock and mains are known well [s].
const settled = 1

// A recording played as a stream, after its first second. Windows of 10 ms reach 0.056 mm
// with noise alone, of which 198 poses have a sampling error of 4 %; a stream may lose
// some to what is not known yet: 0.058 mm.
func TestMovingBenchAsItComes(t *testing.T) {
	b := bench.New(PipeBench(t))
	_, here, _, _ := runtime.Caller(0)
	stem := filepath.Join(filepath.Dir(here), "..", "..", "..", "..", "testdata", "recordings", "pipe-bench-moving")
	path, err := simulate.ReadPath(stem+".truth.csv", []string{"probe"})
	if err != nil {
		t.Fatal(err)
	}
	var s Score
	Play(t, b, stem+".sigmf-meta", recording.Options{}, engine.Options{Windows: hann(10e-3), Causal: true}, func(seen *engine.Observation) {
		if seen.Time < settled || seen.Time > path.Duration {
			return
		}
		fit := &seen.Sensors[0].Fit
		truth, _, _ := path.Tracks[0].At(seen.Time)
		s.Add(t, fit.Pose, &fit.Covariance, truth)
	})
	s.Log(t)
	if s.N < 198 || s.RMS() > 58e-6 {
		t.Errorf("%d poses, RMS error %.4f mm, want at most 0.058", s.N, 1e3*s.RMS())
	}
	s.Covers(t, 0)
}

// live plays benches and motions drawn from seeds as they come, 150 ppm off, and counts
// the poses after the first second.
func live(t *testing.T, benches int, seconds, speed, turns float64) {
	var s Score
	for seed := range uint64(benches) {
		random := rand.New(rand.NewPCG(seed+1, 12))
		b := bench.New(Draw(t, random))
		w := NewWander(random, speed, turns)
		how := simulate.Options{DurationS: seconds, Noise: 8e-9, FlickerHz: 200, MainsHz: 49.98, MainsV: 20e-6, ClockPPM: 150, Seed: seed + 1}
		name := Record(t, b, w.Path(t, b, seconds), how, nil)
		Play(t, b, name, recording.Options{}, engine.Options{Windows: hann(10e-3), Causal: true}, func(seen *engine.Observation) {
			if v := &seen.Sensors[0]; seen.Time > settled && v.Flags&^verdict.Motion == 0 {
				s.Add(t, v.Fit.Pose, &v.Fit.Covariance, w.At(seen.Time))
			}
		})
	}
	s.Log(t)
	if n := float64(benches) * (seconds - settled) / 10e-3; float64(s.N) < 0.98*n {
		t.Errorf("%d of %.0f poses without a flag", s.N, n)
	}
	s.Covers(t, 0)
}

func TestDrawnBenchesAsTheyCome(t *testing.T) { live(t, 2, 2, 0.3, 2) }

// The first poses of a stream that begins 150 ppm off come within 0.3 s, and are as well
// known as they say.
func TestTheFirstPosesAreHonest(t *testing.T) {
	b := bench.New(PipeBench(t))
	var s Score
	for seed := range uint64(4) {
		path, err := simulate.BuiltinPath("sweep", b.Rig(), 1, seed+1)
		if err != nil {
			t.Fatal(err)
		}
		for _, ppm := range []float64{-150, 150} {
			g, err := simulate.NewGenerator(t.Context(), b.Rig(), path, simulate.Options{Bits: 16, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: ppm, Seed: seed + 1}, int64(0.3*b.Rig().SampleRateHz))
			if err != nil {
				t.Fatal(err)
			}
			e, err := engine.New(b, engine.Options{Windows: hann(10e-3), Causal: true})
			if err != nil {
				t.Fatal(err)
			}
			if _, _, err := e.Run(t.Context(), g, func(seen *engine.Observation) error {
				fit := &seen.Sensors[0].Fit
				truth, _, _ := path.Tracks[0].At(seen.Time)
				s.Add(t, fit.Pose, &fit.Covariance, truth)
				return nil
			}, nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	s.Log(t)
	if s.N != 8*30 {
		t.Errorf("%d poses, want 30 of each stream", s.N)
	}
	s.Covers(t, 0)
}

// What goes wrong while a stream runs is named within a second, and so is its end; nothing
// else is named.
func TestFaultsAreNamedAsTheyComeAndGo(t *testing.T) {
	b := bench.New(PipeBench(t))
	r := b.Rig()
	path, err := simulate.BuiltinPath("sweep", r, 10, 2)
	if err != nil {
		t.Fatal(err)
	}
	const seconds = 8.2
	g, err := simulate.NewGenerator(t.Context(), r, path, simulate.Options{Bits: 16, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: 150, Seed: 1}, int64(seconds*r.SampleRateHz))
	if err != nil {
		t.Fatal(err)
	}
	ball, err := g.AddMetal(rig.Metal{Name: "ball", Shape: "ball", CenterM: r3.Vec{Z: 0.1}, RadiusM: 0.03, Material: metal.Materials["aluminium"]})
	if err != nil {
		t.Fatal(err)
	}
	trials := []struct {
		from, to float64 // [s]
		on, off  simulate.Change
		flag     verdict.Flags
		names    string
	}{
		{1.5, 2.7, simulate.Drive{Emitter: 2, Factor: 0}, simulate.Drive{Emitter: 2, Factor: 1}, verdict.ReferenceLost, r.Emitters[2].Name},
		{3.8, 5, simulate.Leads{Channel: b.Sensors()[0].Channels[1], Factor: 0}, simulate.Leads{Channel: b.Sensors()[0].Channels[1], Factor: 1}, verdict.WrongChannel, b.Sensors()[0].Coils[1]},
		{6.1, 7.1, simulate.Metal{Metal: ball, Present: true}, simulate.Metal{Metal: ball}, verdict.Distorted, b.Sensors()[0].Name},
	}
	for _, v := range trials {
		for at, change := range map[float64]simulate.Change{v.from: v.on, v.to: v.off} {
			if _, err := g.Change(int64(at*r.SampleRateHz), change); err != nil {
				t.Fatal(err)
			}
		}
	}
	var events []engine.Event
	var s Score
	e, err := engine.New(b, engine.Options{Windows: hann(10e-3), Causal: true, Event: func(v engine.Event) { events = append(events, v) }})
	if err != nil {
		t.Fatal(err)
	}
	quiet := func(at float64) bool {
		for _, v := range trials {
			if at > v.from-0.02 && at < v.to+1 {
				return false
			}
		}
		return true
	}
	if _, _, err := e.Run(t.Context(), g, func(seen *engine.Observation) error {
		if v := &seen.Sensors[0]; quiet(seen.Time) {
			truth, _, _ := path.Tracks[0].At(seen.Time)
			s.Add(t, v.Fit.Pose, &v.Fit.Covariance, truth)
			if v.Flags&^verdict.Motion != 0 {
				t.Errorf("%.3f s: %v, %s", seen.Time, v.Flags, v.Verdict.Finding)
			}
		}
		return nil
	}, nil); err != nil {
		t.Fatal(err)
	}
	s.Log(t)
	s.Covers(t, 0)
	var text []string
	for _, v := range events {
		word := "happens"
		if v.Begins {
			word = "begins"
		} else if v.Ends {
			word = "ends"
		}
		text = append(text, fmt.Sprintf("%.3f s %s: %s", v.Time, word, v.Text))
		if quiet(v.Time) {
			t.Errorf("%s", text[len(text)-1])
		}
	}
	for _, v := range trials {
		begun, ended := false, false
		for _, e := range events {
			named := e.Flag == v.flag && strings.Contains(e.Text, v.names)
			begun = begun || named && e.Begins && e.Time > v.from-0.01 && e.Time <= v.from+1
			ended = ended || named && e.Ends && e.Time > v.to-0.01 && e.Time <= v.to+1
		}
		if !begun || !ended {
			t.Errorf("%s of %s from %g to %g s: begins %t, ends %t", v.flag, v.names, v.from, v.to, begun, ended)
		}
	}
	t.Log(strings.Join(text, "\n"))
}
