package solver

import (
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// A sensor whose coils are not quite as stated: the covariance covers it also
// where all coils are turned alike, which no chi-square can show.
func TestSensorCovariance(t *testing.T) {
	p, sigma := bench(t, 8, 6)
	p.Volume.Min.Z, p.Volume.Max.Z = 0.06, 0.15
	size := mutual.ParametersPerCoil * len(p.Sensor.Coils)
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
	stated := p
	stated.Sensor.Covariance = cov
	covers(t, p, stated, cov, sigma, rand.New(rand.NewPCG(5, 8)),
		func(v []float64) Problem {
			built := p
			built.Sensor.Coils = append([]mutual.Coil(nil), p.Sensor.Coils...)
			for c := range built.Sensor.Coils {
				coil, x := &built.Sensor.Coils[c], v[7*c:]
				coil.Center = r3.Add(coil.Center, r3.Vec{X: x[0], Y: x[1], Z: x[2]})
				coil.Axis = r3.Unit(rigid.Rotate(rigid.Exp(r3.Vec{X: x[3], Y: x[4], Z: x[5]}), coil.Axis))
				coil.AreaTurns *= 1 + x[6]
			}
			return built
		},
		func(s *Solver, y Couplings, pose rigid.Pose) Result { return s.Warm(y, pose) })
}
