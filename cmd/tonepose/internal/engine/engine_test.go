package engine

import (
	"context"
	"math"
	"path/filepath"
	"sync"
	"testing"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/recording"
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
func run(t *testing.T, b *bench.Bench, o Options, source func(*recording.Reader) Source) (all []pose) {
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

func whole(r *recording.Reader) Source { return r }

// onward is a source that can't be read again.
func onward(r *recording.Reader) Source { return struct{ Source }{r} }

// Two engines on one bench do not disturb each other, and the solvers that they
// share are made once. The race detector watches.
func TestEnginesShareABench(t *testing.T) {
	b := pipeBench(t)
	o := Options{Windows: Windows{Length: 10e-3, Hop: 10e-3}}
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
// a sigma adds 5e-5 to an error: nobody notices.
func TestAStreamGivesThePosesOfTheRecording(t *testing.T) {
	b := pipeBench(t)
	o := Options{Windows: Windows{Length: 10e-3, Hop: 10e-3}}
	want := run(t, b, o, whole)
	o.Causal = true
	got := run(t, b, o, onward)
	if len(got) != len(want) || len(got) != 300 {
		t.Fatalf("%d poses of the stream, %d of the recording, want 300", len(got), len(want))
	}
	worst := 0.0
	for i := range want {
		dp, dr := got[i].Pose.Minus(want[i].Pose)
		for k, d := range [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z} {
			worst = max(worst, math.Abs(d)/want[i].sigma[k])
		}
	}
	t.Logf("largest difference %.3g sigmas", worst)
	if worst > 0.01 {
		t.Errorf("a pose of the stream is %.3g sigmas from that of the recording", worst)
	}
}
