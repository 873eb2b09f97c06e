package trajectory

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// evidence is what one frame says about the state, in information form:
// A = HᵀR⁻¹H, b = HᵀR⁻¹r, c = rᵀR⁻¹r.
type evidence struct {
	a    *mat.SymDense
	b    []float64
	c    float64
	logR float64 // Σ log variance
	used int
}

// nodes of a three-point rule with the window's mean and spread: exact for
// cubic paths under any symmetric window, and for fifth order under one whose
// fourth moment is three times its squared second (Hann: 2.4 times).
var nodes = [3]struct{ at, weight float64 }{{0, 2.0 / 3}, {math.Sqrt(3), 1.0 / 6}, {-math.Sqrt(3), 1.0 / 6}}

// measure compares a frame with what the state predicts of it: the weighted
// mean of the couplings along the motion during the window.
func (f *filter) measure(x motion, fr *Frame) (*evidence, error) {
	if fr.seen != nil {
		return f.compare(x, fr.seen)
	}
	n := f.options.Motion.size()
	if err := f.widen(fr, x.pose); err != nil {
		return nil, err
	}
	clear(f.mean)
	for i := range f.h {
		clear(f.h[i])
	}
	for k, node := range nodes {
		if f.options.WindowSpread == 0 && k > 0 {
			break
		}
		weight := node.weight
		if f.options.WindowSpread == 0 {
			weight = 1
		}
		dt := node.at * f.options.WindowSpread
		if err := f.solver.Evaluate(x.after(dt).pose, f.value, f.jacobian); err != nil {
			return nil, err
		}
		t := x.transition(dt, n)
		for i, j := range f.jacobian {
			f.mean[i] += weight * f.value[i]
			for r, d := range j {
				if d == 0 {
					continue
				}
				row := t.RawRowView(r)
				for s, v := range row {
					f.h[i][s] += weight * d * v
				}
			}
		}
	}
	e := &evidence{a: mat.NewSymDense(n, nil), b: make([]float64, n)}
	raw := e.a.RawSymmetric()
	f.compareWith(fr)
	e.logR, e.used = f.weigh(fr, f.residual, f.h)
	for i, h := range f.h {
		r := f.residual[i]
		e.c += r * r
		for p, hp := range h {
			if hp == 0 {
				continue
			}
			e.b[p] += r * hp
			row := raw.Data[p*raw.Stride:]
			for q := p; q < n; q++ {
				row[q] += hp * h[q]
			}
		}
	}
	return e, nil
}

// compareWith takes the residuals of a frame's couplings.
func (f *filter) compareWith(fr *Frame) {
	for i, v := range fr.Couplings.Value {
		f.residual[i] = v - f.mean[i]
	}
}

// compare takes the pose of a window that was solved by itself in place of its
// couplings: the same evidence as long as the model is straight over the
// pose's uncertainty and the path over the window, for a fraction of the work.
func (f *filter) compare(x motion, r *solver.Result) (*evidence, error) {
	n := f.options.Motion.size()
	e := &evidence{a: mat.NewSymDense(n, nil), b: make([]float64, n)}
	if r.Status != solver.Converged {
		return e, nil
	}
	c := mat.NewSymDense(6, nil)
	for i := range 6 {
		for j := i; j < 6; j++ {
			c.SetSym(i, j, r.Covariance[i][j]*f.options.Correlation)
		}
	}
	dp, dr := r.Pose.Minus(x.pose)
	if a := f.blindNow(r.Pose); a != nil {
		for i := range 3 { // nothing known of the turn
			for j := i; j < 3; j++ {
				c.SetSym(3+i, 3+j, c.At(3+i, 3+j)+at(*a, i)*at(*a, j))
			}
		}
		dr = r3.Sub(dr, r3.Scale(r3.Dot(dr, *a), *a))
	}
	info, logDet, err := inverse(c)
	if err != nil {
		return nil, err
	}
	d := mat.NewVecDense(6, []float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z})
	var b mat.VecDense
	b.MulVec(info, d)
	for i := range 6 {
		e.b[i] = b.AtVec(i)
		for j := i; j < 6; j++ {
			e.a.SetSym(i, j, info.At(i, j))
		}
	}
	e.c, e.logR, e.used = mat.Dot(d, &b), logDet, 6
	return e, nil
}

// blindNow is the blind axis in the rig frame.
func (f *filter) blindNow(p rigid.Pose) *r3.Vec {
	if f.axis == nil {
		return nil
	}
	a := p.Rotate(*f.axis)
	return &a
}
