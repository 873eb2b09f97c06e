package integrity

import (
	"cmp"
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Finding is what Identify concludes.
type Finding struct {
	// ChiSquare and DOF of all frames as they are, with a pose for each.
	ChiSquare float64
	DOF       int
	// Fault explains them best; nil: nothing wrong, or nothing single that
	// would explain it.
	Fault *Fault
	// Rivals explain them as well: the noise cannot decide.
	Rivals []Fault
	// Next is the likeliest of the others, or where no fault is named the likeliest of
	// all; nil: none was tried to its end.
	Next *Fault
	// Poses of the frames with the fault taken into account.
	Poses []rigid.Pose
}

const (
	// cause is the probability of the frames' chi-square below which faults
	// are looked for.
	cause = 1e-5
	// falseName bounds the probability that clean couplings give a fault a
	// name, over all the hypotheses tried.
	falseName = 1e-6
	// A fault explains the frames when what is left of chi-square has at least
	// this probability.
	explained = 1e-4
	// leastGain is the smallest relative error of a gain that is given a name:
	// less is a matter of calibration, and easily mimicked by metal. In many
	// positions metal does not mimic it: there it is leastGainOfMany.
	leastGain, leastGainOfMany = 0.005, 0.002
	// many is the number of positions that metal does not affect alike.
	many = 4
	// sureFall is by how much chi-square must fall for a mere factor to get a
	// name. A piece of metal near one emitter weakens it almost alike in all coils:
	// of simulated spheres there one in ten, at chi-squares of a hundred or two,
	// leaves nothing that noise would not explain; at a thousand, one in some
	// hundred does. Signs, losses and exchanges have no such double. Frames from
	// several positions count together: metal weakens the emitter differently at each.
	sureFall = 1000
	// oddFall is the same for a coil without which all is well: two coils fit
	// anything more easily than three. Of a thousand frames with metal three pass
	// at one thousand, none at ten.
	oddFall = 10000
	// apart is the distance [m] from which two poses count as positions of their own.
	apart = 0.03
	// outweighs is by what factor chi-square must fall for a loss, a wrong sign or
	// an exchange to get a name where noise does not explain the rest, as on a
	// bench that was not calibrated. Simulated ones, millimetres and degrees off,
	// show 30 to 1000; such benches without a fault, and metal, less than 15 and
	// only for mere factors.
	outweighs = 25
	// rivalry is the likelihood ratio above which two faults explain the frames
	// alike.
	rivalry = 1e-3
)

// Identify looks for one fault that explains why frames with the given fits do
// not fit. Every
// single fault of the sensor's coils and the array's emitters is a hypothesis:
// a factor on a coil, an emitter or on all couplings of the sensor, fitted together
// with the poses and common to all frames, and every exchange of two coils or of
// two emitters. Small factors are found by their first order, others race: after
// each frame the worse half of them is left behind. All are compared by one score,
// chi-square and its expected fall by what is fitted beside. The best is named if
//
//   - the frames as they are have a probability below 1e-5,
//   - chi-square falls by more than chance would let the best of so many
//     hypotheses fall (Bonferroni), measured in what is left of it per degree
//     of freedom,
//   - what is left is explained by noise, or, for a loss, a wrong sign, an
//     exchange, a factor on all or one seen from many positions, is 25 times less than
//     before,
//   - and, for a mere factor, chi-square falls by a thousand over the number of
//     positions that the frames come from: metal near an emitter weakens it too.
//
// Failing that, a coil is called odd if without it the frames fit, and without
// no other: a channel that carries another sensor's coil, crosstalk, a wrong
// phase. (An emitter never is: metal near it does the same.)
//
// So metal, which no single factor explains, does not pass for a fault. A part
// whose loss leaves too few couplings for a pose cannot be judged, nor can the
// sign of a lone coil, which is that of its axis.
//
// Of more than mostTried hypotheses the most promising are tried, so that it takes at most as
// long as some hundreds of fits of all frames, however many coils and emitters there are. It
// ends with the context's error soon after that is done.
func (x *Inspector) Identify(ctx context.Context, frames []solver.Couplings, fits []solver.Result) (Finding, error) {
	found := x.identify(ctx, frames, fits, x.hypotheses())
	if found.Fault == nil && x.coils > 1 {
		all := make([]int, x.coils)
		for c := range all {
			all[c] = c
		}
		if f := x.odd(ctx, frames, fits, all); f.Fault != nil {
			f.Next = found.Next
			found = f
		}
	}
	if err := ctx.Err(); err != nil { // faults were not tried
		return Finding{}, err
	}
	return found, nil
}

// Confirm asks whether one fault, seen in other frames, explains these too: much
// cheaper than Identify.
func (x *Inspector) Confirm(ctx context.Context, frames []solver.Couplings, fits []solver.Result, f Fault) Finding {
	if f.Kind == Odd {
		return x.odd(ctx, frames, fits, []int{f.A})
	}
	if f.Kind != Exchanged {
		f.Kind = Gain
	}
	f.ChiSquare, f.DOF = 0, 0
	return x.identify(ctx, frames, fits, []Fault{f})
}

// hypotheses lists the faults to try; a Gain stands for all its kinds.
func (x *Inspector) hypotheses() []Fault {
	out := []Fault{{Part: Whole}}
	for part, n := range []int{Coil: x.coils, Emitter: x.emitters} {
		for a := range n {
			if n > 1 {
				out = append(out, Fault{Part: Part(part), A: a})
			}
			for b := a + 1; b < n; b++ {
				out = append(out, Fault{Part: Part(part), Kind: Exchanged, A: a, B: b, Gain: 1})
			}
		}
	}
	return out
}

// odd looks for one coil without which the frames fit.
func (x *Inspector) odd(ctx context.Context, frames []solver.Couplings, fits []solver.Result, coils []int) Finding {
	out, ok := before(frames, fits)
	if !ok || !x.hurry() {
		return out
	}
	for _, a := range coils {
		f := Fault{Part: Coil, Kind: Odd, A: a, Gain: 1}
		poses, left, dof, _ := x.start(ctx, frames, out.ChiSquare, func(c solver.Couplings) { x.mend(c, &f) })
		f.ChiSquare, f.DOF = left, dof
		if poses == nil || dof <= 0 || Chance(f.ChiSquare, f.DOF) < explained || (out.ChiSquare-f.ChiSquare)*positions(poses) < oddFall {
			continue
		}
		if out.Fault != nil { // one as good as another: it is something else
			out.Fault, out.Poses = nil, nil
			return out
		}
		out.Fault, out.Poses = &f, poses
	}
	return out
}

// before sums what frames are without any fault; false where that gives no cause
// to look for one. A frame without any fit has the chi-square of no coupling at all.
func before(frames []solver.Couplings, fits []solver.Result) (Finding, bool) {
	var out Finding
	for i := range fits {
		if fits[i].Status == solver.Invalid || fits[i].DOF <= 0 {
			return Finding{}, false
		}
		if fits[i].Status != solver.Converged && fits[i].ChiSquare == 0 {
			for k, v := range frames[i].Variance {
				if !math.IsInf(v, 1) {
					out.ChiSquare += frames[i].Value[k] * frames[i].Value[k] / v
				}
			}
		}
		out.ChiSquare += fits[i].ChiSquare
		out.DOF += fits[i].DOF
	}
	return out, Chance(out.ChiSquare, out.DOF) <= cause
}

func (x *Inspector) identify(ctx context.Context, frames []solver.Couplings, fits []solver.Result, hypotheses []Fault) Finding {
	out, ok := before(frames, fits)
	if !ok || !x.hurry() {
		return out
	}
	tried := x.race(ctx, frames, fits, hypotheses, out.ChiSquare)
	if len(tried) == 0 {
		return out
	}
	slices.SortStableFunc(tried, func(a, b racer) int { return cmp.Compare(score(&a.fault), score(&b.fault)) })
	f := tried[0].fault
	out.Next = &f
	// What is left of chi-square beyond its degrees of freedom is taken for
	// noise that nobody stated.
	dispersion := max(1, f.ChiSquare/float64(f.DOF))
	fall := out.ChiSquare - f.ChiSquare
	if Chance(fall/dispersion, 1)*float64(len(hypotheses)) > falseName {
		return out
	}
	places := positions(tried[0].poses)
	accounted := Chance(f.ChiSquare, f.DOF) >= explained || out.ChiSquare >= outweighs*f.ChiSquare && (f.Kind != Gain || f.Part == Whole || places >= many)
	least := leastGain
	if places >= many {
		least = leastGainOfMany
	}
	if !accounted || f.Kind == Gain && (math.Abs(f.Gain-1) < least || fall*places < sureFall) {
		return out
	}
	out.Fault, out.Poses, out.Next = &f, tried[0].poses, nil
	for i := range tried[1:] {
		r := tried[1+i].fault
		if out.Next == nil {
			out.Next = &r
		}
		if (score(&r)-score(&f))/dispersion < -2*math.Log(rivalry) {
			out.Rivals = append(out.Rivals, r)
		}
	}
	return out
}

// Most hypotheses are wrong; a right one fits from one of the first cells and
// within a few steps.
const quickCandidates, quickIterations = 1, 12

// positions counts the poses that are apart from all counted before.
func positions(poses []rigid.Pose) float64 {
	var seen []rigid.Pose
	for _, p := range poses {
		if !slices.ContainsFunc(seen, func(q rigid.Pose) bool { return r3.Norm(r3.Sub(p.Position, q.Position)) < apart }) {
			seen = append(seen, p)
		}
	}
	return float64(len(seen))
}

// hurry prepares the solver for hypotheses; false if there is none to be had.
func (x *Inspector) hurry() bool {
	if x.quick == nil {
		x.quick, _ = x.solver.With(solver.Options{Candidates: quickCandidates, MaxIterations: quickIterations})
	}
	return x.quick != nil
}

// score compares faults: chi-square, and one more for a fitted factor, by
// which it falls without cause.
func score(f *Fault) float64 {
	if f.Kind == Exchanged {
		return f.ChiSquare
	}
	return f.ChiSquare + 1
}

// start solves the frames as prepare writes them to x.trial, quickly. Poses are
// nil when chi-square exceeds limit or, observable being false, when the
// couplings fix none; or when ctx is done.
func (x *Inspector) start(ctx context.Context, frames []solver.Couplings, limit float64, prepare func(solver.Couplings)) (poses []rigid.Pose, chi2 float64, dof int, observable bool) {
	for _, c := range frames {
		if ctx.Err() != nil {
			return nil, 0, 0, true
		}
		prepare(c)
		r := x.quick.Cold(x.trial)
		if r.Status == solver.NotConverged && r.ChiSquare < limit {
			r = x.solver.Warm(x.trial, r.Pose)
		}
		if r.Status == solver.Invalid || r.Status == solver.Unobservable {
			return nil, 0, 0, false
		}
		if chi2 += r.ChiSquare; chi2 > limit {
			return nil, 0, 0, true
		}
		dof += r.DOF
		poses = append(poses, r.Pose)
	}
	return poses, chi2, dof, true
}
