package integrity

import (
	"cmp"
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// racer is a hypothesis with what it makes of the frames so far.
type racer struct {
	fault Fault
	// left: the part is left out of the frames, for a factor to be fitted at the end;
	// else the factor is taken out, or the exchange.
	left  bool
	poses []rigid.Pose
	chi2  float64
	dof   int
}

const (
	// survivors is how many hypotheses reach the last frame at least.
	survivors = 6
	// raceFrames is how many frames a race has: what is wrong with so many that the
	// rest does not matter falls behind.
	raceFrames = 6
	// firstOrder is how many of the small factors that first order likes best are fitted.
	firstOrder = 3
	// nearGain is the error of a factor that explains all up to which losses, wrong signs
	// and exchanges, which change couplings by more than themselves, are not tried.
	nearGain = 0.3
)

// guesses is how many guesses of a factor it is fitted from.
const guesses = 3

// wholeGains are the factors on all couplings from which one is fitted: some of its
// size, for units a thousand times off too.
var wholeGains = []float64{1, 0.5, 2, 0.25, 4, 0.125, 8, 1e3, 1e-3}

// race fits hypotheses to the frames, and returns those that reach the end; before is
// the frames' chi-square as they are.
func (x *Inspector) race(ctx context.Context, frames []solver.Couplings, fits []solver.Result, hypotheses []Fault, before float64) (ended []racer) {
	limit, near := before, false
	for _, f := range x.small(frames, fits, hypotheses) {
		var poses []rigid.Pose
		for k := range fits {
			poses = append(poses, fits[k].Pose)
		}
		if f, poses, ok := x.fitGain(ctx, frames, f, poses); ok && f.ChiSquare < before {
			ended = append(ended, racer{fault: f, poses: poses})
			if Chance(f.ChiSquare, f.DOF) >= explained { // others must come near
				limit = min(limit, f.ChiSquare-2*math.Log(rivalry))
				near = near || math.Abs(f.Gain-1) < nearGain
			}
		}
	}
	if near {
		return ended
	}
	var field []racer
	promising := x.promising(frames[0], &fits[0], hypotheses)
	each, all := rounds(len(promising), len(frames))
	last := min(each[len(frames)-1], mostFitted)
	report, past := x.reporting(all+last), 0
	for i, f := range promising {
		field = append(field, x.begin(ctx, frames[:1], f, limit)...)
		report(i + 1)
	}
	keep := func(most int) {
		slices.SortStableFunc(field, func(a, b racer) int { return cmp.Compare(a.excess(), b.excess()) })
		field = field[:min(len(field), most)]
	}
	for k := 1; k < len(frames); k++ {
		if k < raceFrames {
			keep(max(survivors, (len(field)+1)/2))
		}
		kept := field[:0]
		past += each[k-1]
		for i, r := range field {
			report(past + i)
			if x.step(ctx, frames[k], &r, limit) {
				kept = append(kept, r)
			}
		}
		field = kept
	}
	if len(field) > mostFitted { // of few frames
		keep(mostFitted)
	}
	for i, r := range field {
		report(all + i)
		ok := r.dof > 0
		if r.fault.ChiSquare, r.fault.DOF = r.chi2, r.dof; r.fault.Kind != Exchanged && ok {
			r.fault, r.poses, ok = x.fitGain(ctx, frames, r.fault, r.poses)
		}
		if !ok {
			continue
		}
		twice := slices.IndexFunc(ended, func(e racer) bool { return e.fault.about(&r.fault) })
		switch {
		case twice < 0:
			ended = append(ended, r)
		case score(&r.fault) < score(&ended[twice].fault):
			ended[twice] = r
		}
	}
	report(all + last)
	return ended
}

// Factor tells whether one factor, on a coil, an emitter or all couplings, explains why a
// frame does not fit: less is to be assumed for it than that several go wrong.
func (x *Inspector) Factor(ctx context.Context, c solver.Couplings, fit *solver.Result) bool {
	frames, fits := []solver.Couplings{c}, []solver.Result{*fit}
	for _, f := range x.small(frames, fits, x.hypotheses()) {
		if f, _, ok := x.fitGain(ctx, frames, f, []rigid.Pose{fit.Pose}); ok && Chance(f.ChiSquare, f.DOF) >= explained {
			return true
		}
	}
	return false
}

// excess is the chi-square so far beyond what noise leaves.
func (r *racer) excess() float64 { return r.chi2 - float64(r.dof) }

// about tells whether two faults are about the same, whatever the factor.
func (f *Fault) about(g *Fault) bool {
	return f.Part == g.Part && f.A == g.A && f.B == g.B && (f.Kind == Exchanged) == (g.Kind == Exchanged)
}

// small lists the factors that explain most of the frames by their first order, and
// explain a good part of them.
func (x *Inspector) small(frames []solver.Couplings, fits []solver.Result, hypotheses []Fault) (list []Fault) {
	type tangent struct {
		fault            Fault
		slope, curvature float64
	}
	var all []tangent
	for _, f := range hypotheses {
		if f.Kind == Gain {
			f.Gain = 1
			all = append(all, tangent{fault: f})
		}
	}
	for k, c := range frames {
		if fits[k].Status != solver.Converged || x.look(c, fits[k].Pose) != nil {
			return nil
		}
		shared, ok := x.span(c, fits[k].Pose, func(int) float64 { return 1 })
		if !ok {
			return nil
		}
		for i := range all {
			x.slope(shared, &all[i].fault)
			all[i].slope += floats.Dot(x.work, x.residual)
			all[i].curvature += floats.Dot(x.work, x.work)
		}
	}
	fall := func(t tangent) float64 {
		if !(t.curvature > 0) {
			return 0
		}
		return t.slope * t.slope / t.curvature
	}
	slices.SortStableFunc(all, func(a, b tangent) int { return cmp.Compare(fall(b), fall(a)) })
	for _, t := range all[:min(len(all), firstOrder)] {
		if fall(t) > 0 {
			list = append(list, t.fault)
		}
	}
	return list
}

// begin enters a hypothesis with the first frame; as several where its factor must be
// guessed first, or as none that would come to nothing.
func (x *Inspector) begin(ctx context.Context, frame []solver.Couplings, f Fault, limit float64) (field []racer) {
	if f.Part != Whole {
		r := racer{fault: f, left: f.Kind != Exchanged}
		poses, chi2, dof, observable := x.start(ctx, frame, limit, func(c solver.Couplings) { x.mend(c, &f) })
		if poses != nil {
			r.poses, r.chi2, r.dof = poses, chi2, dof
			return []racer{r}
		}
		if observable || f.Kind == Exchanged {
			return nil
		}
	}
	// What is left fixes no pose, but with the part taken as right, as reversed, or
	// the whole by some factor, there is one to start from.
	gains := []float64{1, -1}
	switch {
	case f.Part == Whole && f.Gain != 0:
		gains = []float64{f.Gain}
	case f.Part == Whole:
		gains = gains[:0]
		for _, g := range wholeGains {
			if gains = append(gains, g); x.coils > 1 { // of a lone coil, the sign is its axis's
				gains = append(gains, -g)
			}
		}
	}
	for _, g := range gains {
		r := racer{fault: f}
		r.fault.Gain = g
		r.poses, r.chi2, r.dof, _ = x.start(ctx, frame, math.Inf(1), func(c solver.Couplings) { x.scale(c, &r.fault) })
		if r.poses != nil {
			field = append(field, r)
		}
	}
	best := func() {
		slices.SortStableFunc(field, func(a, b racer) int { return cmp.Compare(a.chi2, b.chi2) })
	}
	best()
	field = field[:min(len(field), guesses)]
	for i := range field {
		r := &field[i]
		if fitted, poses, ok := x.fitGain(ctx, frame, r.fault, r.poses); ok {
			r.fault.Gain, r.poses, r.chi2, r.dof = fitted.Gain, poses, fitted.ChiSquare, fitted.DOF
		}
	}
	best()
	field = field[:min(len(field), 1)]
	return slices.DeleteFunc(field, func(r racer) bool { return r.chi2 > limit })
}

// step takes a racer to the next frame; false when that is beyond the limit.
func (x *Inspector) step(ctx context.Context, c solver.Couplings, r *racer, limit float64) bool {
	prepare := func(c solver.Couplings) { x.scale(c, &r.fault) }
	if r.left || r.fault.Kind == Exchanged {
		prepare = func(c solver.Couplings) { x.mend(c, &r.fault) }
	}
	poses, chi2, dof, _ := x.start(ctx, []solver.Couplings{c}, limit-r.chi2, prepare)
	if poses == nil {
		return false
	}
	r.poses, r.chi2, r.dof = append(r.poses, poses...), r.chi2+chi2, r.dof+dof
	return true
}
