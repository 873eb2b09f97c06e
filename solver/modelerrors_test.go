package solver

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// ofEmitters states the covariance of the emitters' parameters as errors of the
// couplings, by the array's own derivatives.
type ofEmitters struct {
	problem Problem
	cov     *mat.SymDense
}

func (o ofEmitters) Covariance(dst []float64, pose rigid.Pose) error {
	model, err := mutual.New(o.problem.Array, o.problem.Sensor)
	if err != nil {
		return err
	}
	coils := len(o.problem.Sensor.Coils)
	n := coils * len(o.problem.Array.Emitters)
	derivatives := make([]mutual.Derivatives, n)
	if err := model.Derivatives(derivatives, pose); err != nil {
		return err
	}
	slopes := mat.NewDense(n, o.cov.SymmetricDim(), nil)
	for i, d := range derivatives {
		for k, v := range d.Emitter {
			slopes.Set(i, 7*(i/coils)+k, v)
		}
	}
	var half mat.Dense
	half.Mul(slopes, o.cov)
	mat.NewDense(n, n, dst).Mul(&half, slopes.T())
	return nil
}

// Errors that say what the array's covariance says give the same poses.
func TestErrorsStandInForCovariances(t *testing.T) {
	for _, dof := range []int{6, 5} {
		p, sigma := bench(t, 8, dof)
		size := 7 * len(p.Array.Emitters)
		cov := mat.NewSymDense(size, nil)
		for i := range size {
			s := []float64{1e-4, 1e-4, 1e-4, 1e-3, 1e-3, 1e-3, 2e-3}[i%7]
			cov.SetSym(i, i, s*s)
			if i >= 7 { // neighbours share a part
				cov.SetSym(i, i-7, 0.3*s*s)
			}
		}
		stated := p
		stated.Array.Covariance = cov
		byCovariance, err := New(stated, Options{})
		if err != nil {
			t.Fatal(err)
		}
		stated = p
		stated.Errors = ofEmitters{p, cov}
		byErrors, err := New(stated, Options{})
		if err != nil {
			t.Fatal(err)
		}
		byErrors = byErrors.Clone()
		random := rand.New(rand.NewPCG(8, uint64(dof)))
		for range 50 {
			pose := rigid.Pose{Position: randomIn(random, p.Volume), Rotation: randomQuat(random)}
			y := observe(t, byCovariance, pose, sigma, random)
			y.Variance[5] = math.Inf(1)
			for name, solve := range map[string]func(s *Solver) Result{
				"warm": func(s *Solver) Result { return s.Warm(y, pose) },
				"cold": func(s *Solver) Result { return s.Cold(y) },
			} {
				a, b := solve(byCovariance), solve(byErrors)
				if a.Status != b.Status {
					t.Fatalf("%s: %v by the covariance, %v by errors", name, a.Status, b.Status)
				}
				// Both end within a hundredth of a sigma of their minima, where
				// weights and chi-square follow in proportion to its square.
				d := deviation(byErrors, a.Pose, b.Pose)
				if off := mahalanobis(t, byErrors, &a.Covariance, &d); off > 4e-4 || math.Abs(a.ChiSquare-b.ChiSquare) > 0.02*(1+a.ChiSquare) {
					t.Errorf("%s: %.3g sigmas apart, chi-square %.6g and %.6g", name, math.Sqrt(off), a.ChiSquare, b.ChiSquare)
				}
				for i := range 6 {
					if v, w := a.Covariance[i][i], b.Covariance[i][i]; math.Abs(v-w) > 0.02*v {
						t.Errorf("%s: variance %d is %.6g by the covariance, %.6g by errors", name, i, v, w)
					}
				}
			}
		}
	}
}
