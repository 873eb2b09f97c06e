package integrity

import (
	"context"
	"errors"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/solver"
)

// watched counts the calls of a source, and ends a context at one of them.
type watched struct {
	fieldmodels.Source
	calls *int
	limit *int
	end   *context.CancelFunc
}

func (w watched) Gradient(p r3.Vec) (r3.Vec, fieldmodels.Jacobian, error) {
	if *w.calls++; *w.calls == *w.limit {
		(*w.end)()
	}
	return w.Source.Gradient(p)
}

// The search for faults ends within one frame's solving of its context's end.
func TestIdentifyEndsWithItsContext(t *testing.T) {
	var calls, limit int
	var end context.CancelFunc
	p := benchProblem()
	for i := range p.Array.Emitters {
		p.Array.Emitters[i].Source = watched{p.Array.Emitters[i].Source, &calls, &limit, &end}
	}
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
		before := calls
		frames, fits = append(frames, o.Couplings), append(fits, s.Cold(o.Couplings))
		longest = max(longest, calls-before)
	}
	if found, err := x.Identify(t.Context(), frames, fits); err != nil || found.Fault == nil {
		t.Fatalf("%+v, %v", found, err)
	}
	before := calls
	if _, err := x.Identify(t.Context(), frames, fits); err != nil {
		t.Fatal(err)
	}
	whole := calls - before
	for _, share := range []int{100, 10, 2} {
		ctx, cancel := context.WithCancel(t.Context())
		end, limit = cancel, calls+whole/share
		_, err := x.Identify(ctx, frames, fits)
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%v", err)
		}
		// A frame is solved quickly, then perhaps once more; both take less than the
		// thorough solves that fits come from.
		if more := calls - limit; more > 2*longest {
			t.Errorf("%d calls of the sources after the end, of %d in all: want at most %d", more, whole, 2*longest)
		}
		cancel()
	}
}
