package solver

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// WarmAll and Warm stop by the same rules, so they agree to rounding: the
// couplings over their sigma are below 1e5, which leaves 1e-9 sigma, and a sigma
// is below 1e-2 m or rad.
func TestWarmAllMatchesWarm(t *testing.T) {
	for _, dof := range []int{6, 5} {
		p, tasks := fixedProblem(t, dof, knownDipole)
		s, err := New(p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		results, frames, starts := lineUp(tasks)
		// Lanes must not lean on each other: other variances, a missing
		// coupling, an invalid one, too few, a start far off.
		other := append([]float64(nil), frames[0].Variance...)
		for i := range other {
			other[i] *= 4
		}
		other[3] = math.Inf(1)
		frames[7].Variance, frames[8].Variance = other, other
		frames[9].Value = append([]float64(nil), frames[9].Value...)
		frames[9].Value[2] = math.NaN()
		few := make([]float64, len(other))
		for i := range few {
			few[i] = math.Inf(1)
		}
		frames[20].Variance = few
		starts[30].Rotation = quat.Mul(quat.Exp(quat.Number{Imag: 0.7}), starts[30].Rotation)
		s.WarmAll(results, frames, starts)
		for i := range results {
			a, b := results[i], s.Warm(frames[i], starts[i])
			d := r3.Norm(r3.Sub(a.Pose.Position, b.Pose.Position))
			q := quat.Abs(quat.Sub(a.Pose.Rotation, b.Pose.Rotation))
			if a.Status != b.Status || a.DOF != b.DOF || a.Iterations != b.Iterations || a.Outside != b.Outside ||
				!(d <= 1e-10) || !(q <= 1e-10) || !(math.Abs(a.ChiSquare-b.ChiSquare) <= 1e-6*(1+b.ChiSquare)) {
				t.Errorf("dof %d, frame %d: %+v, Warm %+v", dof, i, a, b)
			}
			for j := range 6 {
				for k := range 6 {
					size := math.Sqrt(b.Covariance[j][j] * b.Covariance[k][k])
					if math.Abs(a.Covariance[j][k]-b.Covariance[j][k]) > 1e-7*size {
						t.Fatalf("dof %d, frame %d: covariance %v, Warm %v", dof, i, a.Covariance, b.Covariance)
					}
				}
			}
		}
		if results[9].Status != Invalid || results[20].Status != Unobservable || results[7].DOF != results[0].DOF-1 {
			t.Errorf("dof %d: frames 9, 20, 7: %v, %v, %d degrees of freedom", dof, results[9].Status, results[20].Status, results[7].DOF)
		}
		if n := testing.AllocsPerRun(2, func() { s.WarmAll(results[:64], frames[:64], starts[:64]) }); n != 0 {
			t.Errorf("dof %d: WarmAll allocates %g times", dof, n)
		}
	}
}

func TestNoAllocations(t *testing.T) {
	for _, model := range []string{"dipole", "loop", "loopdisc"} {
		for _, dof := range []int{6, 5} {
			p, tasks := modelProblem(t, model, dof)
			s, err := New(p, Options{})
			if err != nil {
				t.Fatal(err)
			}
			k := 0
			n := testing.AllocsPerRun(50, func() {
				s.Warm(tasks[k].couplings, tasks[k].start)
				s.Cold(tasks[k].couplings)
				k++
			})
			if n != 0 {
				t.Errorf("%s, dof %d: %g allocations a solve", model, dof, n)
			}
		}
	}
}
