package solver

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/fieldmodels/rigid"
)

// covers checks the covariance cov of parameters that stated has and drawn has
// not: for each of n poses parameters are drawn anew, and built returns the bench
// that has them. Without the covariance errors are many sigmas, with it they are
// as stated, and chi-square follows its distribution. The spread of the root mean
// square over n poses of six degrees of freedom is 1/√(12n).
func covers(t *testing.T, drawn, stated Problem, cov *mat.SymDense, sigma float64, r *rand.Rand,
	built func(v []float64) Problem, solve func(s *Solver, y Couplings, pose rigid.Pose) Result) {
	t.Helper()
	const n = 600
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		t.Fatal("covariance not positive")
	}
	var low mat.TriDense
	chol.LTo(&low)
	exact, err := New(drawn, Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := New(stated, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var with, without float64
	var u []float64
	for range n {
		draw := mat.NewVecDense(cov.SymmetricDim(), nil)
		for i := range draw.Len() {
			draw.SetVec(i, r.NormFloat64())
		}
		var v mat.VecDense
		v.MulVec(&low, draw)
		truth, err := New(built(v.RawVector().Data), Options{})
		if err != nil {
			t.Fatal(err)
		}
		pose := rigid.Pose{Position: randomIn(r, drawn.Volume), Rotation: randomQuat(r)}
		y := observe(t, truth, pose, sigma, r)
		a, b := solve(exact, y, pose), solve(s, y, pose)
		if a.Status != Converged || b.Status != Converged {
			t.Fatalf("%v: %v, %v", pose, a.Status, b.Status)
		}
		ea, eb := deviation(s, pose, a.Pose), deviation(s, pose, b.Pose)
		without += mahalanobis(t, s, &a.Covariance, &ea)
		with += mahalanobis(t, s, &b.Covariance, &eb)
		u = append(u, distuv.ChiSquared{K: float64(b.DOF)}.CDF(b.ChiSquare))
	}
	ratio, naive := math.Sqrt(with/n/6), math.Sqrt(without/n/6)
	ks := kolmogorov(u)
	t.Logf("error over sigma %.3f, without the covariance %.2f; chi-square p = %.3f", ratio, naive, ks)
	if bound := 4 / math.Sqrt(2*n*6); math.Abs(ratio-1) > bound {
		t.Errorf("error over sigma %.3f, want 1 ± %.3f", ratio, bound)
	}
	if naive < 2 {
		t.Errorf("error over sigma without the covariance is %.2f: the test shows nothing", naive)
	}
	if ks < 1e-3 {
		t.Errorf("chi-square does not follow its distribution: p = %.2g", ks)
	}
}
