package trajectory

import (
	"cmp"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"

	"tonepose/solver"
	"tonepose/solver/internal/statistics"
)

// smooth carries what later frames know back to earlier ones (Rauch, Tung and
// Striebel 1965), on the manifold: errors are taken at each state's own
// prediction.
func (f *filter) smooth(steps []step) {
	n := f.options.Motion.size()
	for i := len(steps) - 2; i >= 0; i-- {
		now, next := &steps[i], &steps[i+1]
		if next.restarted {
			continue
		}
		info, _, err := inverse(next.predictedC)
		if err != nil {
			continue // the filter inverted it before; nothing better is known
		}
		var pf, gain mat.Dense
		pf.Mul(now.cov, next.transition.T())
		gain.Mul(&pf, info)
		var d mat.VecDense
		d.MulVec(&gain, mat.NewVecDense(n, next.x.minus(next.predicted, n)))
		var diff mat.SymDense
		diff.ScaleSym(-1, next.predictedC)
		diff.AddSym(&diff, next.cov)
		cov := sandwich(&gain, &diff)
		cov.AddSym(now.cov, cov)
		now.x, now.cov = now.x.plus(d.RawVector().Data), cov
	}
}

// solved solves frames one by one, so that the strengths can be tried without
// the field models.
func (f *filter) solved(frames []Frame) []Frame {
	out := make([]Frame, 0, len(frames))
	var last *solver.Result
	for _, fr := range frames {
		if f.ctx.Err() != nil {
			break
		}
		var r solver.Result
		if last != nil {
			r = f.solver.Warm(fr.Couplings, last.Pose)
		}
		if last == nil || !fits(&r) {
			r = f.solver.Cold(fr.Couplings)
		}
		if !fits(&r) {
			continue // such a window says nothing about the motion
		}
		last = &r
		if seen, ok := f.know(&r); ok {
			out = append(out, Frame{Time: fr.Time, Couplings: fr.Couplings, seen: seen})
		}
	}
	return out
}

// fits tells whether a pose explains a window.
func fits(r *solver.Result) bool {
	return r.Status == solver.Converged && statistics.Chance(r.ChiSquare, r.DOF) >= 1e-9
}

// learnFrames bounds the stretch from which the noise is learnt.
const learnFrames = 400

// learn finds the strengths of the process noise under which the innovations
// are most likely.
func (f *filter) learn(frames []Frame) error {
	if len(frames) > learnFrames {
		frames = frames[:learnFrames]
	}
	frames = f.solved(frames)
	if err := f.ctx.Err(); err != nil {
		return err
	}
	if len(frames) < 4 {
		return ErrNoStart
	}
	// A hand changes its acceleration by tens of m/s² within tens of ms.
	start := []float64{math.Log(1e3), math.Log(1e5)}
	if f.options.Motion == ConstantVelocity {
		start = []float64{math.Log(1), math.Log(100)}
	}
	positionNoise, rotationNoise := f.options.PositionNoise, f.options.RotationNoise
	set := func(x []float64) {
		f.options.PositionNoise = cmp.Or(positionNoise, math.Exp(x[0]))
		f.options.RotationNoise = cmp.Or(rotationNoise, math.Exp(x[1]))
	}
	var failure error
	gate := f.options.Gate
	f.options.Gate = 0 // else passing windows over would look likely
	cost := func(x []float64) float64 {
		if math.Abs(x[0]) > 40 || math.Abs(x[1]) > 40 {
			return math.Inf(1)
		}
		set(x)
		_, l, err := f.run(frames)
		if err != nil {
			failure = err
			return math.Inf(1)
		}
		return -l
	}
	result, err := optimize.Minimize(optimize.Problem{Func: cost}, start,
		&optimize.Settings{FuncEvaluations: 60, Converger: &optimize.FunctionConverge{Absolute: 0.05, Iterations: 8}},
		&optimize.NelderMead{SimplexSize: 1.5})
	f.options.Gate = gate
	if err := f.ctx.Err(); err != nil {
		return err
	}
	if result == nil || math.IsInf(result.F, 0) {
		return cmp.Or(failure, err)
	}
	set(result.X)
	return nil
}
