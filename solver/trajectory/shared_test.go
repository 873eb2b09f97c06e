package trajectory

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Errors of the emitters are the same in all windows: a sensor that rests is no
// better known for many of them than the array is. Each run has its array, drawn as
// its covariance says; of n runs the mean square of three numbers scatters by
// √(2/3n).
func TestSharedErrors(t *testing.T) {
	const runs, windows, sigma = 120, 12, 2e-11
	for _, how := range []string{"smooth", "spline"} {
		t.Run(how, func(t *testing.T) {
			exact := bench(t, 3)
			p := exact.Problem()
			n := fieldmodels.ParametersPerEmitter * len(p.Array.Emitters)
			widths := [7]float64{1e-4, 1e-4, 1e-4, 1e-3, 1e-3, 1e-3, 1e-3}
			cov := mat.NewSymDense(n, nil)
			for i := range n {
				cov.SetSym(i, i, widths[i%7]*widths[i%7])
			}
			p.Array.Covariance = cov
			s, err := solver.New(p, solver.Options{})
			if err != nil {
				t.Fatal(err)
			}
			rng := rand.New(rand.NewPCG(6, 2))
			var with, without float64
			for range runs {
				built := p
				built.Array.Emitters, built.Array.Covariance = nil, nil
				for _, e := range p.Array.Emitters {
					var d [7]float64
					for k := range d {
						d[k] = widths[k] * rng.NormFloat64()
					}
					moment := r3.Scale(0.15*(1+d[6]), rigid.Rotate(rigid.Exp(vec(d[3:])), e.Axis))
					e.Source = fieldmodels.Place(fieldmodels.Dipole{Moment: moment}, rigid.Pose{Position: r3.Add(e.Center, vec(d[:])), Rotation: rigid.Identity().Rotation})
					built.Array.Emitters = append(built.Array.Emitters, e)
				}
				truth, err := solver.New(built, solver.Options{})
				if err != nil {
					t.Fatal(err)
				}
				at := motion{pose: rigid.Pose{Position: r3.Vec{X: 0.2*rng.Float64() - 0.1, Y: 0.2*rng.Float64() - 0.1, Z: 0.12 + 0.1*rng.Float64()}, Rotation: rigid.Exp(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64()})}}
				path := make([]motion, windows)
				for i := range path {
					path[i] = at
				}
				frames := observe(t, truth, path, 0.02, sigma, rng)
				frames[0].Couplings.Variance[2] = math.Inf(1)
				for k, of := range []*solver.Solver{s, exact} {
					var track *Track
					if how == "spline" {
						track, err = Spline(t.Context(), of, frames, Options{Knots: 0.06})
					} else {
						track, err = Run(t.Context(), of, frames, Options{Smooth: true, PositionNoise: 1e-9, RotationNoise: 1e-9, Gate: 1e-300})
					}
					if err != nil {
						t.Fatal(err)
					}
					st := &track.States[windows/2]
					dp, _ := st.Pose.Minus(at.pose)
					square := over(st.Covariance, []float64{dp.X, dp.Y, dp.Z}) / 3 / runs
					if k == 0 {
						with += square
					} else {
						without += square
					}
				}
			}
			bound := 4 * math.Sqrt(2./(3*runs))
			t.Logf("squared error over covariance %.2f ± %.2f, %.0f with the array taken as exact", with, bound/4, without)
			if math.Abs(with-1) > bound {
				t.Errorf("squared error over covariance %.2f: want 1 ± %.2f", with, bound)
			}
			if without < 2 {
				t.Errorf("squared error %.2f with the array taken as exact: the test shows nothing", without)
			}
		})
	}
}
