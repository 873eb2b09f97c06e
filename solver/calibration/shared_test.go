package calibration

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// With couplings that share the noise of a reference, the sum of squares is rᵀΣ⁻¹r of
// the plain residuals r with Σ = diag + Common·m·mᵀ, by another library; and that
// of imaginary parts alike. A missing coupling has no part in it.
func TestSharedNoise(t *testing.T) {
	for _, free := range []Group{DefaultFree, everything} {
		v := newInvented(free, 41)
		v.draw(2, 1)
		plain := v.fit()
		v.share(0, 3e-3)
		v.problem.Stations[0].Couplings.Variance[4] = math.Inf(1)
		whole := v.fit()
		for _, f := range []*fit{plain, whole} {
			for i := range f.x {
				f.x[i] = 0.3 * v.truth[i]
			}
			f.linearise()
		}
		rows, err := plain.rows(make([]float64, len(plain.normal.a)), 0)
		if err != nil {
			t.Fatal(err)
		}
		residuals := plain.residuals(rows, 0)
		c := &v.problem.Stations[0].Couplings
		n, want := len(c.Value), 0.0
		for part := range len(residuals) / n {
			for e := range v.problem.Emitters {
				sigma, r := mat.NewSymDense(3, nil), mat.NewVecDense(3, nil)
				for i := range 3 {
					k := 3*e + i
					r.SetVec(i, residuals[part*n+k]*v.sigma)
					for j := i; j < 3; j++ {
						sigma.SetSym(i, j, c.Common[e]*c.Value[k]*c.Value[3*e+j])
					}
					sigma.SetSym(i, i, c.Variance[k])
					if math.IsInf(c.Variance[k], 1) {
						r.SetVec(i, 0)
						for j := range 3 {
							sigma.SetSym(i, j, 0)
						}
						sigma.SetSym(i, i, v.sigma*v.sigma)
					}
				}
				// Emitters whose couplings are weak share next to nothing: their errors
				// count as independent, with their whole variance.
				if whole.taken[e] == 0 {
					for i := range 3 {
						for j := range i {
							sigma.SetSym(i, j, 0)
						}
					}
				}
				var chol mat.Cholesky
				var solved mat.VecDense
				if !chol.Factorize(sigma) || chol.SolveVecTo(&solved, r) != nil {
					t.Fatal("singular")
				}
				want += mat.Dot(r, &solved)
			}
		}
		if got := whole.normal.blocks[0].chi2; math.Abs(got-want) > 1e-9*want || whole.taken[0] == 0 {
			t.Errorf("%v: sum of squares %.12g, want %.12g", free, got, want)
		}
		// Reports are of the whitened residuals, each at its own coupling.
		again, err := whole.rows(make([]float64, len(whole.normal.a)), 0)
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for k, r := range whole.residuals(again, 0) {
			if math.IsNaN(r) != (k%n == 4) {
				t.Errorf("%v: residual %d is %g", free, k, r)
			} else if k%n != 4 {
				sum += r * r
			}
		}
		if math.Abs(sum-want) > 1e-9*want {
			t.Errorf("%v: residuals make %.12g, want %.12g", free, sum, want)
		}
	}
}
