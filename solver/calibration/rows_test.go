package calibration

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// The rows make up the adjustment: the normal equations of all parameters and
// all poses, put together as one, have no gradient left, give the parameters'
// sigmas, and the rows' squares are chi-square.
func TestRowsMakeUpTheAdjustment(t *testing.T) {
	v := newInvented(everything, 6)
	v.problem.Lengths = []Length{{A: 3, B: 0, Meters: 0.3, Sigma: 1e-3}}
	v.draw(12, 1)
	res, err := Calibrate(&v.problem, Options{Free: everything, Tol: 1e-10})
	if err != nil || res.Status != Converged {
		t.Fatal(err, res.Status)
	}
	n := len(res.Parameters)
	size := n + 6*len(v.problem.Stations)
	a, g, squares := mat.NewSymDense(size, nil), mat.NewVecDense(size, nil), 0.0
	for _, rw := range res.Rows() {
		x := mat.NewVecDense(size, nil)
		for k, c := range rw.Columns {
			x.SetVec(c, rw.By[k])
		}
		for k, d := range rw.ByPose {
			if rw.Station >= 0 {
				x.SetVec(n+6*rw.Station+k, d)
			} else if d != 0 {
				t.Error("a row without a station is moved by a pose")
			}
		}
		a.SymRankOne(a, 1, x)
		g.AddScaledVec(g, rw.Residual, x)
		squares += rw.Residual * rw.Residual
	}
	if math.Abs(squares-2*res.Cost) > 1e-9*squares {
		t.Errorf("squares of the rows %.12g, twice the cost %.12g", squares, 2*res.Cost)
	}
	// In units of each unknown's size, against the rounding of the inverse.
	scale := make([]float64, size)
	for i := range size {
		scale[i] = 1 / math.Sqrt(a.At(i, i))
	}
	for i := range size {
		for k := i; k < size; k++ {
			a.SetSym(i, k, a.At(i, k)*scale[i]*scale[k])
		}
		g.SetVec(i, g.AtVec(i)*scale[i])
	}
	var chol mat.Cholesky
	var inverse mat.SymDense
	if !chol.Factorize(a) || chol.InverseTo(&inverse) != nil {
		t.Fatal("the rows do not fix all unknowns")
	}
	// The cost falls by less than Tol in a further step.
	if left := mat.Inner(g, &inverse, g); left > 1e-8 {
		t.Errorf("twice the cost would fall by %.3g", left)
	}
	for i, p := range res.Parameters {
		_, slope := res.fit.layout.columns[i].change(res.fit.x[i])
		if sigma := slope * scale[i] * math.Sqrt(inverse.At(i, i)); math.Abs(sigma-p.Sigma) > 1e-6*p.Sigma {
			t.Errorf("%s: sigma %.9g, by the rows %.9g", p.Name, p.Sigma, sigma)
		}
	}
}

// The derivative by a coupling is the residual's change when it changes.
func TestRowsFollowTheCouplings(t *testing.T) {
	v := newInvented(everything, 7)
	v.draw(12, 1)
	res, err := Calibrate(&v.problem, Options{Free: everything})
	if err != nil {
		t.Fatal(err)
	}
	row := func() Row {
		for _, rw := range res.Rows() {
			if rw.Station == 2 && rw.Emitter == 4 && rw.Pickup == 1 {
				return rw // the real part
			}
		}
		t.Fatal("no such row")
		return Row{}
	}
	before := row()
	// A relative change of the strength changes the coupling by itself.
	column := res.fit.layout.emitters[4].strength
	f := res.fit
	ch := &f.bench.coils[1]
	model := (before.Residual/f.data[f.offset[2]+4*3+1].weight + f.data[f.offset[2]+4*3+1].value)
	straight := f.x[f.layout.crosstalk+4*len(f.bench.coils)+1]
	coupling := (model - straight) / (ch.Gain * math.Cos(ch.Phase-f.bench.emitters[4].omega*ch.Delay))
	for k, c := range before.Columns {
		if c == column {
			if want := before.By[k] / coupling; math.Abs(before.ByCoupling-want) > 1e-9*math.Abs(want) {
				t.Errorf("by the coupling %.12g, want %.12g", before.ByCoupling, want)
			}
			return
		}
	}
	t.Error("the row does not follow its emitter's strength")
}
