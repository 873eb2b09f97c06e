package integrity

import (
	"context"
	"errors"
	"math/rand/v2"
	"testing"

	"tonepose/solver"
	"tonepose/solver/internal/solvertest"
)

// The search for faults ends within one frame's solving of its context's end.
func TestIdentifyEndsWithItsContext(t *testing.T) {
	var watch solvertest.Watch
	p := benchProblem()
	watch.Over(p)
	s, err := solver.New(p, solver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	x := New(s)
	r := rand.New(rand.NewPCG(3, 7))
	var frames []solver.Couplings
	var fits []solver.Result
	longest := 0
	for range 6 {
		o := observe(s, randomPose(r), r, nil)
		spoil(x, &o, Fault{Part: Emitter, A: 3, Kind: Reversed, Gain: -1})
		before := watch.Calls
		frames, fits = append(frames, o.Couplings), append(fits, s.Cold(o.Couplings))
		longest = max(longest, watch.Calls-before)
	}
	if found, err := x.Identify(t.Context(), frames, fits); err != nil || found.Fault == nil {
		t.Fatalf("%+v, %v", found, err)
	}
	before := watch.Calls
	if _, err := x.Identify(t.Context(), frames, fits); err != nil {
		t.Fatal(err)
	}
	whole := watch.Calls - before
	for _, share := range []int{100, 10, 2} {
		ctx, cancel := context.WithCancel(t.Context())
		watch.End, watch.Limit = cancel, watch.Calls+whole/share
		_, err := x.Identify(ctx, frames, fits)
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%v", err)
		}
		// A frame is solved quickly, then perhaps once more; both take less than the
		// thorough solves that fits come from.
		if more := watch.Calls - watch.Limit; more > 2*longest {
			t.Errorf("%d calls of the sources after the end, of %d in all: want at most %d", more, whole, 2*longest)
		}
		cancel()
	}
}
