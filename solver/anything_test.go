package solver

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Whatever the couplings, a solve ends, and what it calls converged is finite:
// magnitudes over forty decades, missing couplings, starts in and beside the
// array.
func TestAnyCouplings(t *testing.T) {
	for _, dof := range []int{6, 5} {
		for _, model := range []string{"dipole", "loopdisc"} {
			p, _ := modelProblem(t, model, dof)
			p.Volume.Min.Z = -0.05 // the emitters within
			s, err := New(p, Options{})
			if err != nil {
				t.Fatal(err)
			}
			r := rand.New(rand.NewPCG(11, uint64(dof)))
			n := len(p.Array.Emitters) * len(p.Sensor.Coils)
			y := Couplings{Value: make([]float64, n), Variance: make([]float64, n)}
			for range map[string]int{"dipole": 300, "loopdisc": 8}[model] {
				size := math.Pow(10, -20+40*r.Float64())
				noise := math.Pow(10, -20+40*r.Float64())
				gaps := r.Float64()
				for i := range n {
					y.Value[i] = size * r.NormFloat64() * math.Pow(10, 3*r.NormFloat64())
					y.Variance[i] = noise * noise * (0.1 + r.Float64())
					if r.Float64() < gaps*gaps {
						y.Variance[i] = math.Inf(1)
					}
				}
				start := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
				if r.IntN(3) == 0 {
					start.Position = p.Array.Emitters[r.IntN(len(p.Array.Emitters))].Center
				}
				for _, res := range []Result{s.Warm(y, start), s.Cold(y)} {
					if res.Status != Converged {
						continue
					}
					sum := res.ChiSquare + r3.Norm(res.Pose.Position) + res.Pose.Rotation.Real + s.Nonlinearity(y, &res)
					for i := range 6 {
						if !(res.Covariance[i][i] >= 0) {
							t.Errorf("dof %d, %s: variance %g", dof, model, res.Covariance[i][i])
						}
						for j := range 6 {
							sum += res.Covariance[i][j]
						}
					}
					if math.IsNaN(sum) {
						t.Errorf("dof %d, %s: converged to %+v", dof, model, res)
					}
				}
			}
		}
	}
}
