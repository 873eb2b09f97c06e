package engine

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"runtime"
	"testing"

	"go.uber.org/goleak"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// probes is a bench of four sensors with a recording of some 140 frames: two chunks and a
// part.
func probes(t *testing.T) (r *rig.Rig, name string, windows stream.Windows) {
	t.Helper()
	file := testdata("rigs", "four-probes.rig.yaml")
	r, err := rig.Load(file, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	name = filepath.Join(t.TempDir(), "sweep")
	if _, err := simulate.Run(t.Context(), file, "sweep", name, simulate.Options{DurationS: 0.7, Bits: 16, Noise: 5e-9, Seed: 1}, nil); err != nil {
		t.Fatal(err)
	}
	return r, name + ".sigmf-meta", stream.Windows{Length: 10e-3, Hop: 5e-3}
}

func observe(ctx context.Context, t *testing.T, b *bench.Bench, name string, o Options, use func(*Engine, *Observation) error) error {
	t.Helper()
	rec, err := b.Open(ctx, name, recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	e, err := New(b, o)
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = e.Run(ctx, rec, func(seen *Observation) error { return use(e, seen) }, nil)
	return err
}

// told is what a test keeps of a sensor in a frame: numbers in as many digits as tell
// them from all others.
type told struct{ sensor, what string }

func tell(t *testing.T, b *bench.Bench, name string, o Options) (all []told) {
	t.Helper()
	if err := observe(t.Context(), t, b, name, o, func(_ *Engine, seen *Observation) error {
		for i := range seen.Sensors {
			v := &seen.Sensors[i]
			all = append(all, told{b.Sensors()[v.Sensor].Name, fmt.Sprintf("%g %+v %v %+v", seen.Time, v.Fit, v.Flags, v.Verdict)})
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return all
}

// Any number of threads gives the same bits, and so does a bench that has one of the
// sensors only.
func TestSensorsSideBySide(t *testing.T) {
	r, name, windows := probes(t)
	o := Options{Windows: windows}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	want := tell(t, bench.New(r), name, o)
	if len(want) < 4*2*chunkFrames || len(want)/4%chunkFrames == 0 {
		t.Fatalf("%d poses, want 4 of each of some 140 frames, and no whole number of chunks", len(want))
	}
	same := func(how string, got, want []told) {
		t.Helper()
		if len(got) != len(want) {
			t.Fatalf("%s: %d poses, want %d", how, len(got), len(want))
		}
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("%s: pose %d is\n%v, want\n%v", how, i, got[i], want[i])
			}
		}
	}
	runtime.GOMAXPROCS(4)
	same("four threads", tell(t, bench.New(r), name, o), want)
	alone := *r
	alone.Sensors = r.Sensors[2:3]
	var third []told
	for _, v := range want {
		if v.sensor == alone.Sensors[0].Name {
			third = append(third, v)
		}
	}
	same("one sensor", tell(t, bench.New(&alone), name, o), third)
}

// An error of use, or the end of the context, ends a run and all that works for it.
func TestARunEnds(t *testing.T) {
	defer goleak.VerifyNone(t)
	r, name, windows := probes(t)
	enough := errors.New("enough")
	ctx, cancel := context.WithCancel(t.Context())
	for want, use := range map[error]func() error{
		enough:           func() error { return enough },
		context.Canceled: func() error { cancel(); return ctx.Err() },
	} {
		n := 0
		err := observe(ctx, t, bench.New(r), name, Options{Windows: windows}, func(*Engine, *Observation) error {
			if n++; n > chunkFrames+3 {
				return use()
			}
			return nil
		})
		if !errors.Is(err, want) || n != chunkFrames+4 {
			t.Errorf("%v after %d frames, want %v", err, n, want)
		}
		cancel()
		ctx, cancel = context.WithCancel(t.Context())
	}
	cancel()
}

// In a stream no observation waits for another frame.
func TestAStreamDoesNotWait(t *testing.T) {
	r, name, windows := probes(t)
	n := 0
	if err := observe(t.Context(), t, bench.New(r), name, Options{Windows: windows, Causal: true}, func(e *Engine, seen *Observation) error {
		if last := e.line.frames[len(e.line.frames)-1]; seen.Time != last.Time {
			t.Errorf("the frame at %g s is used when that at %g s has come", seen.Time, last.Time)
		}
		n++
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if n < 2*chunkFrames {
		t.Errorf("%d frames, want some 140", n)
	}
}
