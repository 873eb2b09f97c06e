package calibration

import (
	"math"
	"testing"

	"tonepose/solver/leastsquares"
)

// Redundancies make up the degrees of freedom (Baarda 1968), and the mean of each
// input's sum over many drawings is its redundancy. A sum of squares that the
// adjustment has lessened varies by at most twice its mean.
func TestRedundancies(t *testing.T) {
	const runs = 40
	var sums [numInputs]Share
	for seed := range runs {
		v := newInvented(everything, uint64(100+seed))
		v.draw(12, 1)
		res, err := Calibrate(&v.problem, Options{Free: everything})
		if err != nil || res.Status != Converged {
			t.Fatal(err, res)
		}
		reports, err := res.Stations()
		if err != nil {
			t.Fatal(err)
		}
		total := Share{}
		for _, c := range res.components(reports) {
			total.add(c.Share)
			sums[c.at()].add(c.Share)
		}
		if math.Abs(total.Redundancy-float64(res.DOF)) > 1e-6*float64(res.DOF) || math.Abs(total.ChiSquare-res.ChiSquare) > 1e-9*res.ChiSquare {
			t.Errorf("parts make %.9g of %.9g, the whole is %.9g of %d", total.ChiSquare, total.Redundancy, res.ChiSquare, res.DOF)
		}
	}
	for i, s := range sums {
		if s.Count == 0 {
			t.Errorf("input %d has no residuals", i)
		}
		if off := s.ChiSquare - s.Redundancy; math.Abs(off) > 4*math.Sqrt(2*s.Redundancy) {
			t.Errorf("input %d: sum of squares %.1f, expected %.1f", i, s.ChiSquare, s.Redundancy)
		}
	}
}

// A loss judges no station and no reference; tolerances it does.
func TestReconcileWithLoss(t *testing.T) {
	v := newInvented(EmitterPosition|EmitterStrength, 31)
	v.draw(25, 1)
	for i := range v.problem.Emitters {
		v.problem.Emitters[i].Tolerance.Position /= 20
	}
	v.problem.Stations[7].Reference.Position.X += 5e-3
	res, err := Reconcile(&v.problem, Options{Free: v.free, Loss: leastsquares.Tukey{}})
	if err != nil || res.Status != Converged {
		t.Fatal(err, res)
	}
	if len(res.Omitted) != 0 || len(res.Kept) != 25 {
		t.Errorf("left out %v", res.Omitted)
	}
	for _, c := range res.Components {
		if changed := c.Group == EmitterPosition; (c.Factor != 1) != changed {
			t.Errorf("%+v: changed %v", c, !changed)
		}
	}
	if res.Problem.Emitters[0].Tolerance.Position == v.problem.Emitters[0].Tolerance.Position || v.problem.Stations[0].SigmaPosition != res.Problem.Stations[0].SigmaPosition {
		t.Error("the problem that was adjusted has the stated tolerances, or other references")
	}
}
