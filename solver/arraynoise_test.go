package solver

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// disturbed is a dipole array with its parameters moved as Array.Covariance
// speaks of them.
func disturbed(p Problem, v []float64) Problem {
	var moved []fieldmodels.Emitter
	for i, e := range p.Array.Emitters {
		d := e.Source.(*fieldmodels.PlacedDipole)
		t := v[i*7:]
		q := rigid.Exp(r3.Vec{X: t[3], Y: t[4], Z: t[5]})
		e.Source = &fieldmodels.PlacedDipole{
			Center: r3.Add(d.Center, r3.Vec{X: t[0], Y: t[1], Z: t[2]}),
			Moment: r3.Scale(1+t[6], rigid.Pose{Rotation: q}.Rotate(d.Moment)),
		}
		moved = append(moved, e)
	}
	p.Array.Emitters = moved
	return p
}

// Poses near an array that is not quite as stated: without the covariance of
// its parameters errors are many sigmas, with it they are as stated. Both a
// covariance within each emitter and one across emitters (a common scale of all
// strengths). The spread of the root mean square over n poses of f degrees of
// freedom is 1/√(2nf); parameters are drawn anew for every pose.
func TestArrayCovariance(t *testing.T) {
	const (
		shift, tilt, strength = 0.2e-3, 2e-3, 1e-3
		n                     = 600
	)
	p, sigma := bench(t, 8, 6)
	p.Volume.Min.Z, p.Volume.Max.Z = 0.06, 0.15
	size := 7 * len(p.Array.Emitters)
	for _, common := range []bool{false, true} {
		cov := mat.NewSymDense(size, nil)
		for i := range size {
			s := []float64{shift, shift, shift, tilt, tilt, tilt, strength}[i%7]
			cov.SetSym(i, i, s*s)
		}
		if common {
			for i := 6; i < size; i += 7 {
				for j := i; j < size; j += 7 {
					cov.SetSym(i, j, cov.At(i, j)+4e-6)
				}
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(cov) {
			t.Fatal("covariance not positive")
		}
		var low mat.TriDense
		chol.LTo(&low)
		exact, err := New(p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		known := p
		known.Array.Covariance = cov
		s, err := New(known, Options{})
		if err != nil {
			t.Fatal(err)
		}
		r := rand.New(rand.NewPCG(8, 8))
		var with, without float64
		var u []float64
		for range n {
			draw := mat.NewVecDense(size, nil)
			for i := range size {
				draw.SetVec(i, r.NormFloat64())
			}
			var v mat.VecDense
			v.MulVec(&low, draw)
			truth, err := New(disturbed(p, v.RawVector().Data), Options{})
			if err != nil {
				t.Fatal(err)
			}
			pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
			y := observe(t, truth, pose, sigma, r)
			a, b := exact.Cold(y), s.Cold(y)
			if b.Status != Converged {
				t.Fatalf("%v: %v", pose, b.Status)
			}
			ea, eb := deviation(s, pose, a.Pose), deviation(s, pose, b.Pose)
			without += mahalanobis(t, s, &a.Covariance, &ea)
			with += mahalanobis(t, s, &b.Covariance, &eb)
			u = append(u, distuv.ChiSquared{K: float64(b.DOF)}.CDF(b.ChiSquare))
			warm := s.Warm(y, b.Pose)
			if d := r3.Norm(r3.Sub(warm.Pose.Position, b.Pose.Position)); d > 0.02*math.Sqrt(b.Covariance[0][0]+b.Covariance[1][1]+b.Covariance[2][2]) {
				t.Errorf("%v: warm %v from cold", pose, d)
			}
		}
		ratio, naive := math.Sqrt(with/n/6), math.Sqrt(without/n/6)
		ks := kolmogorov(u)
		t.Logf("common scale %v: error over sigma %.3f, without the array's covariance %.2f; chi-square p = %.3f", common, ratio, naive, ks)
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
}
