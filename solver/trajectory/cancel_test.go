package trajectory

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

// Filter, smoother and spline end within a window or two of their context's end.
func TestTrajectoriesEndWithTheirContext(t *testing.T) {
	var calls, limit int
	var end context.CancelFunc
	p := bench(t, 3).Problem()
	for i := range p.Array.Emitters {
		p.Array.Emitters[i].Source = watched{p.Array.Emitters[i].Source, &calls, &limit, &end}
	}
	s, err := solver.New(p, solver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 3))
	frames := observe(t, s, drive(ConstantAcceleration, 60, 5e-3, 5, 100, rng), 5e-3, 3e-11, rng)
	before := calls
	s.Cold(frames[0].Couplings)
	cold := calls - before
	for name, run := range map[string]func(ctx context.Context) error{
		"run": func(ctx context.Context) error {
			_, err := Run(ctx, s, frames, Options{Smooth: true})
			return err
		},
		"spline": func(ctx context.Context) error {
			_, err := Spline(ctx, s, frames, Options{})
			return err
		},
	} {
		limit, before = 0, calls
		if err := run(t.Context()); err != nil {
			t.Fatal(err)
		}
		whole := calls - before
		for _, at := range []int{1, whole / 3, 9 * whole / 10} {
			ctx, cancel := context.WithCancel(t.Context())
			end, limit = cancel, calls+at
			if err := run(ctx); !errors.Is(err, context.Canceled) {
				t.Errorf("%s: %v", name, err)
			}
			// A window is solved warm, at worst cold too, or evaluated at its nodes a
			// few times.
			if more := calls - limit; more > 2*cold {
				t.Errorf("%s: %d calls of the sources after the end, of %d: want at most %d", name, more, whole, 2*cold)
			}
			cancel()
		}
	}
}
