package integrity

import (
	"context"
	"math"

	"gonum.org/v1/gonum/floats"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// fitGain fits a factor common to the frames, beside a pose for each: given the
// factor g, couplings y count as y/g with variance/g², so that the Solver finds
// the pose; given the poses, g follows from what the poses cannot explain of
// the couplings that it multiplies (variable projection: Golub and Pereyra,
// SIAM J. Numer. Anal. 10, 1973; not checked against the original).
func (x *Inspector) fitGain(ctx context.Context, frames []solver.Couplings, f Fault, poses []rigid.Pose) (Fault, []rigid.Pose, bool) {
	// The poses to start from give a first value.
	up, down := 0.0, 0.0
	for k, c := range frames {
		if x.look(c, poses[k]) != nil {
			return f, nil, false
		}
		for i, w := range x.weight {
			if w > 0 && f.touches(i, x.coils) {
				up += w * w * c.Value[i] * x.model[i]
				down += w * w * x.model[i] * x.model[i]
			}
		}
	}
	if !(down > 0) {
		return f, nil, false
	}
	f.Gain = up / down
	for range 20 {
		slope, curvature := 0.0, 0.0
		f.ChiSquare, f.DOF = 0, -1
		for k, c := range frames {
			if ctx.Err() != nil {
				return f, nil, false
			}
			x.scale(c, &f)
			r := x.solver.Warm(x.trial, poses[k])
			if r.Status == solver.Invalid || r.Status == solver.Unobservable {
				return f, nil, false
			}
			poses[k] = r.Pose
			f.ChiSquare += r.ChiSquare
			f.DOF += r.DOF
			if x.look(c, r.Pose) != nil || !x.project(c, &f, r.Pose) {
				return f, nil, false
			}
			slope += floats.Dot(x.work, x.residual)
			curvature += floats.Dot(x.work, x.work)
		}
		if !(curvature > 0) {
			return f, nil, false
		}
		f.GainSigma = 1 / math.Sqrt(curvature)
		step := slope / curvature
		if math.Abs(step) < 0.03*f.GainSigma {
			break
		}
		f.Gain += step
	}
	f.classify()
	return f, poses, f.DOF > 0
}

// scale takes a fault's factor out of couplings, into x.trial.
func (x *Inspector) scale(c solver.Couplings, f *Fault) {
	// Couplings multiplied by next to nothing fix no pose; dividing by it
	// would only lose digits.
	g := f.Gain
	if math.Abs(g) < 1e-6 {
		g = math.Copysign(1e-6, g)
	}
	x.take(c)
	for i := range c.Value {
		if f.touches(i, x.coils) {
			x.trial.Value[i] /= g
			x.trial.Variance[i] /= g * g
		}
	}
}

// project takes from what look left the residuals of the scaled model and, to
// x.work, the derivative by the factor, less what a change of the pose does.
func (x *Inspector) project(c solver.Couplings, f *Fault, pose rigid.Pose) bool {
	factor := func(i int) float64 {
		if f.touches(i, x.coils) {
			return f.Gain
		}
		return 1
	}
	shared, ok := x.span(c, pose, factor)
	if !ok {
		return false
	}
	x.slope(shared, f)
	return true
}

// span takes from what look left the whitened residuals of a model that is multiplied by
// factor, and the span of what a change of the pose does to them.
func (x *Inspector) span(c solver.Couplings, pose rigid.Pose, factor func(i int) float64) (*shared, bool) {
	shared, ok := x.factorise(c, pose, factor)
	if !ok {
		return nil, false
	}
	x.pose.reset()
	for k := range 6 {
		for i := range x.work {
			x.work[i] = factor(i) * x.jacobian[i][k]
		}
		x.whiten(shared, x.work)
		x.pose.add(x.work)
	}
	for i := range x.residual {
		x.residual[i] = c.Value[i] - factor(i)*x.model[i]
	}
	x.whiten(shared, x.residual)
	return shared, true
}

// slope leaves in x.work the derivative by a fault's factor, less what a change of the pose
// does.
func (x *Inspector) slope(shared *shared, f *Fault) {
	for i := range x.work {
		x.work[i] = 0
		if f.touches(i, x.coils) {
			x.work[i] = x.model[i]
		}
	}
	x.whiten(shared, x.work)
	x.pose.clean(x.work)
}
