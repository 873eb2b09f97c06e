package verdict

import (
	"context"
	"math"
	"slices"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/integrity"
)

// evidence gathers what frames show of faults. What one frame shows clearly is named
// at once, and looked for in those that follow; what only many show is found in a
// sample of them, and settled for the whole recording: then the frames are judged
// once more.
type evidence struct {
	kept sample // of all frames
	poor sample // of those that do not fit and that no known fault explains
	due  int    // how many of these until faults are searched
	late int    // frames that did not fit before a fault was found

	settled *Fault // shown by the recording as a whole, in an earlier pass, or of a stream by the last stretch
	leaves  bool   // settled is taken from the couplings before they are fitted
	last    bool   // no further pass: conclusions are drawn
	pooled  *Fault // what the frames together show
}

// A search among all faults takes as long as some thousand warm fits: it is made at the
// first frame that does not fit, and again each time there are searchAgain times as
// many, in searchFrames of them.
const (
	searchAgain  = 8
	searchFrames = 6
)

// suspicious reports whether a fit is bad enough to look for a fault.
func suspicious(r *solver.Result) bool {
	return r.DOF > 0 && r.Status != solver.Invalid && (r.Status != solver.Converged || integrity.Chance(r.ChiSquare, r.DOF) < distortedChance)
}

// Known tries the faults that earlier frames showed.
func (g *Guard) Known(ctx context.Context, c solver.Couplings, r *solver.Result) *integrity.Finding {
	if !suspicious(r) || g.settled != nil && !g.leaves {
		return nil
	}
	for _, k := range g.result.Faults {
		if g.settled != nil && k.fault.Same(g.settled.fault) {
			continue
		}
		if f := g.confirm(ctx, c, r, k); f != nil {
			return f
		}
	}
	return nil
}

// confirm asks whether a frame shows a known fault: first without it from the pose that
// showed it last, then from anywhere, though while that is in vain ever less often.
func (g *Guard) confirm(ctx context.Context, c solver.Couplings, r *solver.Result, k *Fault) *integrity.Finding {
	if k.shown != nil {
		again := g.solver.Warm(g.inspector.Mend(c, k.fault), *k.shown)
		if again.Status == solver.Converged && again.DOF > 0 && integrity.Chance(again.ChiSquare, again.DOF) >= Doubtful {
			*k.shown = again.Pose
			f := k.fault
			f.ChiSquare, f.DOF, f.GainSigma = again.ChiSquare, again.DOF, 0
			return &integrity.Finding{ChiSquare: r.ChiSquare, DOF: r.DOF, Fault: &f, Poses: []rigid.Pose{again.Pose}}
		}
	}
	if k.wait > 0 {
		k.wait--
		return nil
	}
	f := g.inspector.Confirm(ctx, []solver.Couplings{c}, []solver.Result{*r}, k.fault)
	if f.Fault == nil || !f.Fault.Same(k.fault) {
		k.patience = min(2*k.patience+1, longestPatience)
		k.wait = k.patience
		return nil
	}
	k.wait, k.patience = 0, 0
	k.shown = &rigid.Pose{}
	*k.shown = f.Poses[0]
	return &f
}

// longestPatience is how many frames at most go by without a full trial of a known
// fault.
const longestPatience = 63

// search tries all faults, if it is time for it.
func (g *Guard) search(ctx context.Context, c solver.Couplings, r *solver.Result, time float64) (*integrity.Finding, error) {
	if !suspicious(r) || g.settled != nil && !g.leaves {
		return nil, nil
	}
	g.poor.take(c, r, time)
	g.late++
	if g.options.Sliding && !g.dueNow(r, time) || !g.options.Sliding && g.poor.seen < g.due || g.last && !g.leaves {
		return nil, nil
	}
	g.due = searchAgain * g.poor.seen
	frames, fits := g.poor.some(searchFrames)
	if g.options.Sliding {
		defer g.poor.reset()
	}
	f, err := g.inspector.Identify(ctx, frames, fits)
	if err != nil {
		return nil, err
	}
	if g.result.Nearest = nil; f.Fault == nil {
		g.result.Nearest = g.fault(f.Next, &f, len(frames))
		return nil, nil
	}
	if len(frames) > 1 { // does this one show it?
		if g.entry(f.Fault) == nil {
			g.result.Faults = append(g.result.Faults, g.fault(f.Fault, &f, len(frames)))
		}
		if f = g.inspector.Confirm(ctx, []solver.Couplings{c}, []solver.Result{*r}, *f.Fault); f.Fault == nil || g.entry(f.Fault) == nil {
			return nil, nil
		}
	}
	g.late--
	return &f, nil
}

// entry is what is known of a fault; nil: nothing.
func (g *Guard) entry(f *integrity.Fault) *Fault {
	if i := slices.IndexFunc(g.result.Faults, func(k *Fault) bool { return k.fault.Same(*f) }); i >= 0 {
		return g.result.Faults[i]
	}
	return nil
}

// fault is what frames together show of one; nil of none.
func (g *Guard) fault(f *integrity.Fault, in *integrity.Finding, frames int) *Fault {
	if f == nil {
		return nil
	}
	out := &Fault{fault: *f, Words: f.Words(g.coils, g.emitters), Rivals: g.rivals(in), Frames: frames, Joint: true,
		Gain: 1, Before: in.ChiSquare, DOF: in.DOF, After: f.ChiSquare, Left: f.DOF}
	if f.GainSigma > 0 {
		out.Gain, out.Sigma = f.Gain, f.GainSigma
	}
	out.follow(in, g)
	return out
}

// follow notes the next best explanation.
func (f *Fault) follow(in *integrity.Finding, g *Guard) {
	if in.Fault != nil && in.Next != nil {
		f.Next, f.NextChi2, f.NextDOF = in.Next.Words(g.coils, g.emitters), in.Next.ChiSquare, in.Next.DOF
	}
}

// count adds what one frame shows to the evidence.
func (g *Guard) count(f *integrity.Finding) *Fault {
	to := g.entry(f.Fault)
	switch {
	case to == nil:
		to = &Fault{fault: *f.Fault, Rivals: g.rivals(f)}
		to.follow(f, g)
		g.result.Faults = append(g.result.Faults, to)
	case to.Joint: // the frames themselves are counted from here on
		to.Joint, to.Frames, to.Before, to.DOF, to.After, to.Left = false, 0, 0, 0, 0, 0
	}
	if to.shown == nil {
		to.shown = &rigid.Pose{}
	}
	*to.shown = f.Poses[0]
	to.Frames++
	to.Before += f.ChiSquare
	to.DOF += f.DOF
	to.After += f.Fault.ChiSquare
	to.Left += f.Fault.DOF
	to.Gain = 1
	if f.Fault.GainSigma > 0 {
		w := 1 / (f.Fault.GainSigma * f.Fault.GainSigma)
		to.fault.Gain = (to.fault.Gain*to.weight + f.Fault.Gain*w) / (to.weight + w)
		to.weight += w
		to.Sigma = 1 / math.Sqrt(to.weight)
		to.Gain, to.fault.GainSigma = to.fault.Gain, to.Sigma
	}
	to.Words = to.fault.Words(g.coils, g.emitters)
	return to
}

// rivals words the faults that explain a finding as well.
func (g *Guard) rivals(f *integrity.Finding) (all []string) {
	for _, r := range f.Rivals {
		all = append(all, r.Words(g.coils, g.emitters))
	}
	return all
}

// Prepare takes from couplings what the recording as a whole has shown to be at
// fault, if it is to be left out.
func (g *Guard) Prepare(c *solver.Couplings) {
	if g.leaves {
		mended := g.inspector.Mend(*c, g.settled.fault)
		copy(c.Value, mended.Value)
		copy(c.Variance, mended.Variance)
		copy(c.Common, mended.Common)
	}
}

// apply takes account of the fault of the whole recording in a frame's fit, and tells
// whether it was left out. Else the pose without it, if that fits, becomes the doubt.
func (g *Guard) apply(c *solver.Couplings, result *solver.Result) bool {
	f := g.settled.fault
	if g.leaves {
		g.mendQuadrature(f, c.Variance)
		g.inspector.AddGain(*c, f, result)
		return true
	}
	mended := g.inspector.Mend(*c, f)
	again := g.without(g.settled, mended, result)
	switch {
	case again == nil:
	case g.options.Sliding && g.options.LeaveOut:
		g.mendQuadrature(f, c.Variance)
		g.inspector.AddGain(mended, f, again)
		*c, *result = mended, *again
		return true
	default:
		g.doubt = &again.Pose
	}
	return false
}

// without fits couplings from which a fault was taken: from the pose of the last frame
// that fitted so, from that with the fault, or now and then from anywhere; nil where
// they do not fit.
func (g *Guard) without(k *Fault, mended solver.Couplings, with *solver.Result) *solver.Result {
	fits := func(r *solver.Result) bool {
		return r.Status == solver.Converged && r.DOF > 0 && integrity.Chance(r.ChiSquare, r.DOF) >= distortedChance
	}
	var again solver.Result
	if k.shown != nil {
		again = g.solver.Warm(mended, *k.shown)
	}
	if !fits(&again) {
		again = g.solver.Warm(mended, with.Pose)
	}
	if !fits(&again) && k.wait == 0 {
		again = g.solver.Cold(mended)
		k.patience = min(2*k.patience+1, longestPatience)
		k.wait = k.patience
	} else if k.wait > 0 {
		k.wait--
	}
	if !fits(&again) {
		return nil
	}
	k.shown, k.wait, k.patience = &again.Pose, 0, 0
	return &again
}

// Conclude draws the conclusions that need all frames, and names channels that
// were exchanged between the sensors.
func Conclude(ctx context.Context, guards []*Guard) (all []*Summary, err error) {
	for _, g := range guards {
		if err := g.conclude(ctx); err != nil {
			return nil, err
		}
		all = append(all, &g.result)
	}
	return all, exchanges(ctx, guards)
}

func (g *Guard) conclude(ctx context.Context) error {
	for i, w := range g.certain {
		if w == 0 {
			continue
		}
		d, sigma := g.delay[i]/w, 1/math.Sqrt(w)
		if math.Abs(d) > max(lagSigmas*sigma, leastLag) {
			g.result.Delays = append(g.result.Delays, Delay{Channel: g.coils[i], DelayS: d, SigmaS: sigma})
		}
	}
	n := len(g.kept.frames)
	if known := g.result.Faults; g.last || n < 2 || len(known) == 1 && len(known[0].Rivals) == 0 && known[0].Frames >= g.kept.seen && !g.refines(known[0]) {
		return nil
	}
	if known := g.result.Faults; len(known) == 1 && len(known[0].Rivals) == 0 {
		// What most frames show alone is all there is, if it explains them together.
		if f := g.inspector.Confirm(ctx, g.kept.frames, g.kept.fits, known[0].fault); f.Fault != nil && integrity.Chance(f.Fault.ChiSquare, f.Fault.DOF) >= Doubtful {
			f.Next = nil
			g.settle(&f, n)
			return nil
		}
	}
	f, err := g.inspector.Identify(ctx, g.kept.frames, g.kept.fits)
	switch {
	case err != nil:
		return err
	case f.Fault != nil:
		g.settle(&f, n)
	case len(g.result.Faults) == 0 && g.result.Nearest == nil:
		g.result.Nearest = g.fault(f.Next, &f, n)
	}
	return nil
}

// refines tells whether a factor that is taken out of all couplings is worth knowing
// from all frames: what one tells of it is an error that their poses would share.
func (g *Guard) refines(f *Fault) bool {
	return g.options.LeaveOut && f.fault.Part == integrity.Whole && len(g.kept.frames) > 1
}

// settle takes in what frames showed together: a fault that none showed alone, or
// which one of several that explained each alone.
func (g *Guard) settle(f *integrity.Finding, frames int) {
	g.result.Nearest = nil
	known := g.entry(f.Fault)
	if g.pooled = known; known == nil || known.Frames < g.kept.seen {
		g.pooled = g.fault(f.Fault, f, frames)
		if known != nil {
			g.pooled.Next, g.pooled.NextChi2, g.pooled.NextDOF = known.Next, known.NextChi2, known.NextDOF
		}
	}
	g.pooled.fault, g.pooled.Words, g.pooled.Rivals = *f.Fault, f.Fault.Words(g.coils, g.emitters), g.rivals(f)
	if f.Fault.GainSigma > 0 {
		g.pooled.Gain, g.pooled.Sigma = f.Fault.Gain, f.Fault.GainSigma
	}
	if f.Next != nil {
		g.pooled.follow(f, g)
	}
	g.result.Faults = []*Fault{g.pooled}
}

// Again returns guards that judge the same frames with what these have concluded from
// all of them; nil where that changes nothing.
func Again(guards []*Guard) (next []*Guard) {
	changed := false
	for _, g := range guards {
		known := slices.DeleteFunc(slices.Clone(g.result.Faults), func(f *Fault) bool { return f.across })
		changed = changed || !g.last && len(known) > 0 && (g.late > 0 || g.pooled != nil && (g.pooled.Joint || g.refines(g.pooled)))
		n := *g
		n.result = Summary{Sensor: g.result.Sensor, volumeM: g.result.volumeM, Nearest: g.result.Nearest}
		for _, d := range g.result.Disturbed {
			again := *d
			again.Frames = 0
			n.result.Disturbed = append(n.result.Disturbed, &again)
		}
		n.evidence = evidence{last: true, due: 1, settled: g.pooled}
		n.delay, n.certain = make([]float64, len(g.delay)), make([]float64, len(g.certain))
		for _, k := range known {
			f := *k
			f.weight, f.Joint, f.shown, f.wait, f.patience = 0, true, nil, 0, 0
			n.result.Faults = append(n.result.Faults, &f)
		}
		if n.settled != nil && g.options.LeaveOut {
			frame := g.inspector.Mend(g.kept.frames[0], n.settled.fault)
			r := g.solver.Warm(frame, g.kept.fits[0].Pose)
			n.leaves = r.Status == solver.Converged
		}
		next = append(next, &n)
	}
	if !changed {
		return nil
	}
	return next
}
