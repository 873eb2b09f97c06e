package solver

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/fieldmodels/rigid"
)

// A sensor whose coils are not quite as stated, drawn anew for every pose: the
// stated covariance covers it, also where all coils are turned alike, which no
// chi-square can show. The spread of the root mean square over n poses of six
// degrees of freedom is 1/√(12n).
func TestSensorCovariance(t *testing.T) {
	const n = 600
	p, sigma := bench(t, 8, 6)
	p.Volume.Min.Z, p.Volume.Max.Z = 0.06, 0.15
	p.Sensor.Coils = append([]Coil(nil), p.Sensor.Coils...)
	size := ParametersPerCoil * len(p.Sensor.Coils)
	cov := mat.NewSymDense(size, nil)
	for i := range size {
		s := []float64{2e-4, 2e-4, 2e-4, 3e-3, 3e-3, 3e-3, 3e-3}[i%7]
		cov.SetSym(i, i, s*s)
	}
	for k := range 3 { // a common turn of 5 mrad
		for i := 3 + k; i < size; i += 7 {
			for j := i; j < size; j += 7 {
				cov.SetSym(i, j, cov.At(i, j)+25e-6)
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
	known.Sensor.Covariance = cov
	s, err := New(known, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(5, 8))
	var with, without float64
	var u []float64
	for range n {
		draw := mat.NewVecDense(size, nil)
		for i := range size {
			draw.SetVec(i, r.NormFloat64())
		}
		var v mat.VecDense
		v.MulVec(&low, draw)
		built := p
		built.Sensor.Coils = append([]Coil(nil), p.Sensor.Coils...)
		for c := range built.Sensor.Coils {
			coil, x := &built.Sensor.Coils[c], v.RawVector().Data[7*c:]
			coil.Center = r3.Add(coil.Center, r3.Vec{X: x[0], Y: x[1], Z: x[2]})
			coil.Axis = r3.Unit(rigid.Rotate(rigid.Exp(r3.Vec{X: x[3], Y: x[4], Z: x[5]}), coil.Axis))
			coil.AreaTurns *= 1 + x[6]
		}
		truth, err := New(built, Options{})
		if err != nil {
			t.Fatal(err)
		}
		pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
		y := observe(t, truth, pose, sigma, r)
		a, b := exact.Warm(y, pose), s.Warm(y, pose)
		if a.Status != Converged || b.Status != Converged {
			t.Fatalf("%v: %v, %v", pose, a.Status, b.Status)
		}
		ea, eb := deviation(s, pose, a.Pose), deviation(s, pose, b.Pose)
		without += mahalanobis(t, s, &a.Covariance, &ea)
		with += mahalanobis(t, s, &b.Covariance, &eb)
		u = append(u, distuv.ChiSquared{K: float64(b.DOF)}.CDF(b.ChiSquare))
	}
	ratio, naive := math.Sqrt(with/n/6), math.Sqrt(without/n/6)
	if bound := 4 / math.Sqrt(2*n*6); math.Abs(ratio-1) > bound {
		t.Errorf("error over sigma %.3f, want 1 ± %.3f", ratio, bound)
	}
	if naive < 2 {
		t.Errorf("error over sigma without the covariance is %.2f: the test shows nothing", naive)
	}
	if ks := kolmogorov(u); ks < 1e-3 {
		t.Errorf("chi-square does not follow its distribution: p = %.2g", ks)
	}
}
