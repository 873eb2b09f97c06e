package solver

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

func TestFixedProblems(t *testing.T) {
	// RMS errors that seven other solvers reach alike on these files (see
	// testdata/README.md), printed to three decimals.
	for _, c := range []struct {
		dof int
		rms float64
	}{{6, 0.419e-3}, {5, 1.368e-3}} {
		p, tasks := fixedProblem(t, c.dof, knownDipole)
		s, err := New(p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("places %d", len(s.rig.grid.centers))
		var warm, cold float64
		its, itc, nf := 0, 0, 0
		for i, task := range tasks {
			w := s.Warm(task.couplings, task.start)
			k := s.Cold(task.couplings)
			if w.Status != Converged || k.Status != Converged {
				t.Errorf("dof %d, pose %d: %v, %v", c.dof, i, w.Status, k.Status)
			}
			warm += r3.Norm2(r3.Sub(w.Pose.Position, task.truth.Position))
			cold += r3.Norm2(r3.Sub(k.Pose.Position, task.truth.Position))
			its += w.Iterations
			itc += k.Iterations
			nf += len(s.search.found)
			if math.Abs(k.ChiSquare-w.ChiSquare) > 1e-3 {
				t.Errorf("dof %d, pose %d: chi-square %g cold, %g warm", c.dof, i, k.ChiSquare, w.ChiSquare)
			}
		}
		n := float64(len(tasks))
		t.Logf("tried %.2f", float64(nf)/float64(len(tasks)))
		t.Logf("dof %d: warm %.5f mm, cold %.5f mm, iterations %.2f, %.2f", c.dof, 1e3*math.Sqrt(warm/n), 1e3*math.Sqrt(cold/n), float64(its)/n, float64(itc)/n)
		for _, got := range []float64{math.Sqrt(warm / n), math.Sqrt(cold / n)} {
			if math.Abs(got-c.rms) > 0.0005e-3 {
				t.Errorf("dof %d: RMS position error %.4f mm, want %.3f", c.dof, 1e3*got, 1e3*c.rms)
			}
		}
	}
}
