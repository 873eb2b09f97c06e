package solver

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

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

// Poses near an array that is not quite as stated. Both a covariance within each
// emitter and one across emitters (a common scale of all strengths).
func TestArrayCovariance(t *testing.T) {
	const shift, tilt, strength = 0.2e-3, 2e-3, 1e-3
	p, sigma := bench(t, 8, 6)
	p.Volume.Min.Z, p.Volume.Max.Z = 0.06, 0.15
	size := 7 * len(p.Array.Emitters)
	for name, common := range map[string]bool{"each": false, "common scale": true} {
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
		stated := p
		stated.Array.Covariance = cov
		t.Run(name, func(t *testing.T) {
			covers(t, p, stated, cov, sigma, rand.New(rand.NewPCG(8, 8)),
				func(v []float64) Problem { return disturbed(p, v) },
				func(s *Solver, y Couplings, pose rigid.Pose) Result {
					cold := s.Cold(y)
					warm := s.Warm(y, cold.Pose)
					if d := r3.Norm(r3.Sub(warm.Pose.Position, cold.Pose.Position)); d > 0.02*math.Sqrt(cold.Covariance[0][0]+cold.Covariance[1][1]+cold.Covariance[2][2]) {
						t.Errorf("%v: warm %v from cold", pose, d)
					}
					return cold
				})
		})
	}
}
