package engine

import (
	"context"
	"math"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/recording"
	"tonepose/multitone/window"
)

func testdata(name ...string) string {
	return filepath.Join(append([]string{"..", "..", "..", "..", "testdata"}, name...)...)
}

func pipeBench(t *testing.T) *bench.Bench {
	t.Helper()
	r, err := rig.Load(testdata("rigs", "pipe-bench.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return bench.New(r)
}

// pose is what a test keeps of an observation.
type pose struct {
	time float64
	rigid.Pose
	sigma [6]float64
}

// run solves the recording of a moving probe, with source put between it and the
// engine.
func run(t *testing.T, b *bench.Bench, o Options, source func(*recording.Reader) stream.Source) (all []pose) {
	t.Helper()
	rec, err := b.Open(context.Background(), testdata("recordings", "pipe-bench-moving.sigmf-meta"), recording.Options{})
	if err != nil {
		t.Error(err)
		return nil
	}
	defer rec.Close()
	e, err := New(b, o)
	if err != nil {
		t.Error(err)
		return nil
	}
	_, _, err = e.Run(t.Context(), source(rec), func(seen *Observation) error {
		for i := range seen.Sensors {
			fit := &seen.Sensors[i].Fit
			p := pose{time: seen.Time, Pose: fit.Pose}
			for k := range p.sigma {
				p.sigma[k] = math.Sqrt(fit.Covariance[k][k])
			}
			all = append(all, p)
		}
		return nil
	}, nil)
	if err != nil {
		t.Error(err)
	}
	return all
}

func whole(r *recording.Reader) stream.Source { return r }

// onward is a source that can't be read again.
func onward(r *recording.Reader) stream.Source { return struct{ stream.Source }{r} }

// Two engines on one bench do not disturb each other, and the solvers that they
// share are made once. The race detector watches.
func TestEnginesShareABench(t *testing.T) {
	b := pipeBench(t)
	o := Options{Windows: stream.Windows{Length: 10e-3, Hop: 10e-3}}
	var both [2][]pose
	var group sync.WaitGroup
	for i := range both {
		group.Go(func() { both[i] = run(t, b, o, whole) })
	}
	group.Wait()
	if len(both[0]) != 300 || len(both[1]) != 300 {
		t.Fatalf("%d and %d poses, want 300", len(both[0]), len(both[1]))
	}
	for i := range both[0] {
		if both[0][i] != both[1][i] {
			t.Fatalf("pose %d: %+v and %+v", i, both[0][i], both[1][i])
		}
	}
}

// A stream that is read once gives the poses of a recording that was read to its
// end first. The clock is known to well below a part per million after the first
// 0.2 s, which turns no phasor of a window of 10 ms by more than 1e-4 rad, drive
// and pickup alike; and the mains are told from the noise by then. A hundredth of
// a sigma adds 5e-5 to an error: nobody notices. Behind a low-pass the noise too is
// that of 0.2 s, known to some 20 % where a recording's is to 6 %: weights wrong by
// a random share move each pose by that share of its sigma at most.
func TestAStreamGivesThePosesOfTheRecording(t *testing.T) {
	b := pipeBench(t)
	rests := []stream.Interval{{Start: 0.3, Stop: 0.32, Origin: "a"}, {Start: 0.31, Stop: 0.33, Origin: "b"}, {Start: 0.05, Stop: 0.07, Origin: "c"}}
	limits := map[string]float64{"windows": 0.01, "intervals": 0.01, "low-pass": 0.2}
	for name, w := range map[string]stream.Windows{
		"windows":   {Length: 10e-3, Hop: 10e-3},
		"intervals": {Intervals: rests},
		"low-pass":  {LowPass: &stream.LowPass{Spec: window.Spec{Kind: window.Butterworth, Order: 4, CutoffHz: 100}}},
	} {
		t.Run(name, func(t *testing.T) {
			// Poses on their own: without the future, the motion inside a window is known less well.
			o := Options{Windows: w, Sharp: true}
			want := run(t, b, o, whole)
			o.Causal = true
			got := run(t, b, o, onward)
			if len(got) != len(want) || len(got) < len(w.Intervals) || len(got) == 0 {
				t.Fatalf("%d poses of the stream, %d of the recording", len(got), len(want))
			}
			square := 0.0
			for i := range want {
				dp, dr := got[i].Pose.Minus(want[i].Pose)
				for k, d := range [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z} {
					square += math.Pow(d/want[i].sigma[k], 2) / float64(6*len(want))
				}
			}
			t.Logf("%d poses, RMS difference %.3g sigmas", len(got), math.Sqrt(square))
			if limit := limits[name]; math.Sqrt(square) > limit {
				t.Errorf("poses of the stream are %.3g sigmas RMS from those of the recording, want below %g", math.Sqrt(square), limit)
			}
		})
	}
}

// A stream has no end that a whole could be waited for.
func TestAStreamNeedsWindows(t *testing.T) {
	b := pipeBench(t)
	rec, err := b.Open(t.Context(), testdata("recordings", "pipe-bench-moving.sigmf-meta"), recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	e, err := New(b, Options{Causal: true})
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = e.Run(t.Context(), onward(rec), func(*Observation) error { return nil }, nil)
	if err == nil || !strings.Contains(err.Error(), "give windows, intervals or a low-pass") {
		t.Errorf("error %v", err)
	}
}
