package trajectory

import (
	"context"
	"errors"
	"math/rand/v2"
	"testing"

	"tonepose/solver"
	"tonepose/solver/internal/solvertest"
)

// Filter, smoother and spline end within a window or two of their context's end.
func TestTrajectoriesEndWithTheirContext(t *testing.T) {
	var watch solvertest.Watch
	p := bench(t, 3).Problem()
	watch.Over(p)
	s, err := solver.New(p, solver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 3))
	frames := observe(t, s, drive(ConstantAcceleration, 60, 5e-3, 5, 100, rng), 5e-3, 3e-11, rng)
	before := watch.Calls
	s.Cold(frames[0].Couplings)
	cold := watch.Calls - before
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
		watch.Limit, before = 0, watch.Calls
		if err := run(t.Context()); err != nil {
			t.Fatal(err)
		}
		whole := watch.Calls - before
		for _, at := range []int{1, whole / 3, 9 * whole / 10} {
			ctx, cancel := context.WithCancel(t.Context())
			watch.End, watch.Limit = cancel, watch.Calls+at
			if err := run(ctx); !errors.Is(err, context.Canceled) {
				t.Errorf("%s: %v", name, err)
			}
			// A window is solved warm, at worst cold too, or evaluated at its nodes a
			// few times.
			if more := watch.Calls - watch.Limit; more > 2*cold {
				t.Errorf("%s: %d calls of the sources after the end, of %d: want at most %d", name, more, whole, 2*cold)
			}
			cancel()
		}
	}
}
