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
					square := overPosition(t, &track.States[windows/2], at.pose) / 3 / runs
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

func overPosition(t *testing.T, s *State, truth rigid.Pose) float64 {
	t.Helper()
	c := mat.NewSymDense(3, nil)
	for i := range 3 {
		for k := i; k < 3; k++ {
			c.SetSym(i, k, s.Covariance[i][k])
		}
	}
	info, _, err := inverse(c)
	if err != nil {
		t.Fatal(err)
	}
	dp, _ := s.Pose.Minus(truth)
	d := mat.NewVecDense(3, []float64{dp.X, dp.Y, dp.Z})
	return mat.Inner(d, info, d)
}

// Rows and residuals weighed one by one give what the inverse of the whole
// covariance gives.
func TestWeigh(t *testing.T) {
	s := bench(t, 3)
	f := newFilter(t.Context(), s, Options{Correlation: 1.3}, 2)
	rng := rand.New(rand.NewPCG(2, 8))
	n := len(f.mean)
	fr := observe(t, s, []motion{{pose: rigid.Pose{Position: r3.Vec{Z: 0.15}, Rotation: rigid.Exp(r3.Vec{X: 1})}}}, 1, 1e-11, rng)[0]
	c := &fr.Couplings
	c.Common = make([]float64, n/3)
	for e := range c.Common {
		c.Common[e] = 1e-4
	}
	missing := 7
	c.Variance[missing], c.Value[missing] = math.Inf(1), math.NaN()
	whole := mat.NewSymDense(n, nil)
	rows, residual := mat.NewDense(n, 2, nil), mat.NewVecDense(n, nil)
	plain := mat.NewDense(n, 2, nil)
	for i := range n {
		f.mean[i] = c.Value[i] * (1 + 0.01*rng.NormFloat64())
		c.Variance[i] += c.Common[i/3] * c.Value[i] * c.Value[i]
	}
	for i := range n {
		whole.SetSym(i, i, 1)
		if i == missing {
			rows.SetRow(i, []float64{1, 1})
			continue
		}
		for j := i - i%3; j <= i; j++ {
			v := c.Common[i/3] * f.mean[i] * f.mean[j]
			if i == j {
				v += c.Variance[i] - c.Common[i/3]*c.Value[i]*c.Value[i]
			}
			if j != missing {
				whole.SetSym(i, j, 1.3*v)
			}
		}
		rows.SetRow(i, []float64{rng.NormFloat64(), rng.NormFloat64()})
		plain.SetRow(i, rows.RawRowView(i))
		residual.SetVec(i, c.Value[i]-f.mean[i])
	}
	var chol mat.Cholesky
	var solved mat.Dense
	var want mat.Dense
	if !chol.Factorize(whole) {
		t.Fatal("not positive definite")
	}
	if err := chol.SolveTo(&solved, plain); err != nil {
		if _, ok := err.(mat.Condition); !ok { // of the missing one's unit variance
			t.Fatal(err)
		}
	}
	want.Mul(plain.T(), &solved)
	var pull mat.VecDense
	pull.MulVec(solved.T(), residual)
	got := append([]float64(nil), residual.RawVector().Data...)
	logDet, used := f.weigh(&fr, got, rows)
	if used != n-1 || math.Abs(logDet-chol.LogDet()) > 1e-9*math.Abs(logDet) {
		t.Errorf("%d couplings with log-determinant %.12g: want %d, %.12g", used, logDet, n-1, chol.LogDet())
	}
	for a := range 2 {
		b := 0.0
		for i := range n {
			b += rows.At(i, a) * got[i]
		}
		// Sums of 23 terms over matrices of condition 1e4 after scaling.
		if math.Abs(b-pull.AtVec(a)) > 1e-10*math.Sqrt(want.At(a, a))*10 {
			t.Errorf("right side %d is %.12g: want %.12g", a, b, pull.AtVec(a))
		}
		for k := range 2 {
			v := 0.0
			for i := range n {
				v += rows.At(i, a) * rows.At(i, k)
			}
			if math.Abs(v-want.At(a, k)) > 1e-10*math.Sqrt(want.At(a, a)*want.At(k, k)) {
				t.Errorf("information %d %d is %.12g: want %.12g", a, k, v, want.At(a, k))
			}
		}
	}
}
