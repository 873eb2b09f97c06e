// Package verdict judges what the fit of a pose is worth: whether a channel or an
// emitter is at fault, whether metal distorts the fields, how far the true pose
// may lie from the estimate, and what only many frames together show.
package verdict

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/multitone"
	"tonepose/solver"
	"tonepose/solver/integrity"
	"tonepose/solver/leastsquares"
)

// Probabilities below which a frame is flagged: chance does it to one frame
// in a hundred thousand.
const distortedChance = 1e-5

// Doubtful is the probability of a chi-square so large below which a fit is
// tried again from a cold start, and not used to estimate delays.
const Doubtful = 1e-3

// Options says how a Guard judges.
type Options struct {
	Robust   leastsquares.Loss // nil: plain squares
	LeaveOut bool              // solve without what is found at fault
	// Bent: couplings have the motion inside of their windows still in them, which
	// then explains why they do not fit.
	Bent bool
}

// Guard judges the fits of one sensor, frame by frame, and gathers what many
// frames show together. It is for one goroutine.
type Guard struct {
	inspector       *integrity.Inspector
	solver          *solver.Solver
	coils, emitters []string
	options         Options
	result          Summary

	// A full search among the faults takes as long as hundreds of fits: after
	// one that found nothing, pause frames go by without, twice as many each
	// time.
	pause, passed int

	observed integrity.Observation
	widened  *[6][6]float64 // covariance of the pose at hand with what its misfit shows; nil: as fitted
	delay    []float64      // Σ delay/σ² and Σ 1/σ², by coil
	certain  []float64
	kept     sample
}

// NewGuard judges the fits that s makes of sensor i of a bench.
func NewGuard(b *bench.Bench, i int, s *solver.Solver, o Options) *Guard {
	sensor, tones := &b.Sensors()[i], b.Tones()
	x, volume := integrity.New(s), s.Problem().Volume
	g := &Guard{inspector: x, solver: s, coils: sensor.Coils, options: o, result: Summary{Sensor: sensor.Name, volumeM: r3.Norm(r3.Sub(volume.Max, volume.Min))},
		delay: make([]float64, len(sensor.Coils)), certain: make([]float64, len(sensor.Coils))}
	x.Unreferenced = make([]bool, len(tones))
	for e, t := range tones {
		g.emitters = append(g.emitters, t.Name)
		x.Unreferenced[e] = t.Reference == multitone.NoReference
	}
	g.observed.Quadrature = make([]float64, len(tones)*len(sensor.Coils))
	return g
}

// suspicious reports whether a fit is bad enough to look for a fault.
func suspicious(r *solver.Result) bool {
	return r.DOF > 0 && r.Status != solver.Invalid && (r.Status != solver.Converged || integrity.Chance(r.ChiSquare, r.DOF) < distortedChance)
}

// Known tries the faults that earlier frames showed.
func (g *Guard) Known(ctx context.Context, c solver.Couplings, r *solver.Result) *integrity.Finding {
	if !suspicious(r) {
		return nil
	}
	for _, k := range g.result.Faults {
		if f := g.inspector.Confirm(ctx, c, r, k.fault); f.Fault != nil && f.Fault.Same(k.fault) {
			return &f
		}
	}
	return nil
}

// search tries all faults, if it is time for it.
func (g *Guard) search(ctx context.Context, c solver.Couplings, r *solver.Result) (*integrity.Finding, error) {
	if !suspicious(r) {
		return nil, nil
	}
	if g.passed < g.pause {
		g.passed++
		return nil, nil
	}
	f, err := g.inspector.Identify(ctx, []solver.Couplings{c}, []solver.Result{*r})
	if err != nil {
		return nil, err
	}
	if f.Fault == nil {
		g.passed, g.pause = 0, 2*g.pause+1
		return nil, nil
	}
	g.pause = 0
	return &f, nil
}

// count adds a finding to the evidence.
func (g *Guard) count(f *integrity.Finding, frames int, joint bool) *Fault {
	var to *Fault
	if i := slices.IndexFunc(g.result.Faults, func(k *Fault) bool { return k.fault.Same(*f.Fault) }); i >= 0 {
		to = g.result.Faults[i]
	} else {
		to = &Fault{fault: *f.Fault, Joint: joint, Rivals: g.rivals(f)}
		g.result.Faults = append(g.result.Faults, to)
	}
	to.Frames += frames
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

// Judge judges a frame's fit: the couplings c with their quadrature parts at the
// tones' frequencies [Hz], the result of fitting them, the fault that Known
// found, the frame's time [s], what each tone is known to share its frequency with, in
// words, and the flags of its samples. With a fault left
// out, or with a robust loss, result becomes that of the fit asked for and c what
// it was made from. It returns the flags to add. Where judging fails the pose
// is kept, flagged as not judged, and Finding says why; the error is the context's.
// The covariance of result grows by what a misfit shows.
func (g *Guard) Judge(ctx context.Context, c *solver.Couplings, quadrature []complex128, hz []float64, result *solver.Result, found *integrity.Finding, time float64, shares []string, flags Flags) (Flags, Verdict, error) {
	add, row, err := g.judge(ctx, c, quadrature, hz, result, found, time, shares, flags)
	if err != nil {
		return add, row, err
	}
	row.bound(g.solver, *c, result)
	if g.widened != nil {
		result.Covariance = *g.widened
	}
	return add, row, nil
}

func (g *Guard) judge(ctx context.Context, c *solver.Couplings, quadrature []complex128, hz []float64, result *solver.Result, found *integrity.Finding, time float64, shares []string, flags Flags) (add Flags, row Verdict, err error) {
	row, g.widened = unjudged(), nil
	var words []string
	defer func() { row.Finding = strings.Join(words, "; ") }()
	failed := func(what string, reason any) {
		add |= NotJudged
		words = append(words, fmt.Sprintf("%s: %v", what, reason))
	}
	moving := flags&Motion != 0
	excused := flags&SampleFaults != 0 || moving && g.options.Bent
	for i, v := range quadrature {
		g.observed.Quadrature[i] = imag(v)
	}
	g.observed.Couplings, g.observed.Hz, g.observed.Moving = *c, hz, moving
	if !excused && flags&DisturbedTone == 0 && g.doubtful(result) && g.shared(c, result, shares) {
		add |= DisturbedTone
		found = nil
	}
	if (flags|add)&DisturbedTone != 0 {
		for _, d := range g.result.Disturbed {
			words = append(words, fmt.Sprintf("tone %s is disturbed: %s", d.Tone, d.Cause))
		}
	}
	if found == nil && flags&(Motion|Clipped|Gap|Repeated) == 0 {
		if found, err = g.search(ctx, *c, result); err != nil {
			return add, row, err
		}
	}
	if !excused && !moving {
		g.kept.take(*c, result, time)
	}
	left := false
	if found != nil {
		add |= WrongChannel
		g.result.WrongChannel++
		named := g.count(found, 1, false)
		words = append(words, named.Words)
		if g.options.LeaveOut {
			if len(named.Rivals) > 0 {
				add |= Ambiguous // each leaves another pose
			}
			left = g.leave(found, c, result)
		}
	}
	if result.Status != solver.Converged {
		return add, row, nil
	}
	g.observed.Couplings = *c
	v, err := g.inspector.Verdict(&g.observed, result, excused)
	if err != nil {
		failed("the fit is not judged", err)
		return add, row, nil
	}
	row.Chi2, row.DOF = result.ChiSquare, result.DOF
	if v.Quadrature.DOF > 0 {
		row.QuadratureChi2, row.QuadratureDOF = v.Quadrature.ChiSquare, v.Quadrature.DOF
	}
	unexplained := found == nil || left
	g.result.Frames++
	if v.Distorted && unexplained {
		add |= Distorted
		g.result.Distorted++
		text := "does not fit the field model"
		if v.Eddy {
			g.result.Eddy++
			text = "eddy currents: metal near"
		}
		words = append(words, text)
	}
	if !excused && !moving && unexplained && v.QuadratureChance > Doubtful {
		g.lag(&v.Quadrature)
	}
	if g.options.Robust != nil {
		robust, err := g.inspector.Robust(*c, result, g.options.Robust)
		switch {
		case err != nil:
			failed("no robust fit, plain squares are kept", err)
		case robust.Status != solver.Converged:
			failed("no robust fit, plain squares are kept", robust.Status)
		default:
			*result = robust.Result
			*c = robust.Weighted(*c)
			g.observed.Couplings = *c
			if v, err = g.inspector.Verdict(&g.observed, result, excused); err != nil {
				failed("the robust fit is not judged", err)
				return add, row, nil
			}
		}
	}
	row.Spread, row.PositionError, row.RotationError, row.Growth = v.Spread, v.PositionError, v.RotationError, v.Growth
	if !(moving && g.options.Bent) {
		g.widened = &v.Covariance
	}
	if v.PositionError > g.result.WorstPositionErrorM {
		g.result.WorstPositionErrorM, g.result.WorstRotationErrorRad = v.PositionError, v.RotationError
		g.result.WorstTimeS = time
	}
	return add, row, nil
}

// leave solves again without a fault. Where what is left fixes no pose, as one of
// two coils, all stays as it is, and it returns false.
func (g *Guard) leave(found *integrity.Finding, c *solver.Couplings, result *solver.Result) bool {
	f := *found.Fault
	mended := g.inspector.Mend(*c, f)
	again := g.solver.Warm(mended, found.Poses[0])
	if again.Status != solver.Converged {
		return false
	}
	if f.Kind == integrity.Exchanged {
		lag := solver.Couplings{Value: g.observed.Quadrature, Variance: c.Variance}
		copy(g.observed.Quadrature, g.inspector.Mend(lag, f).Value)
	}
	*c, *result = mended, again
	return true
}

// lag gathers what the quadrature parts say about delays.
func (g *Guard) lag(q *integrity.Quadrature) {
	for i, d := range q.Delay {
		if w := 1 / (q.DelaySigma[i] * q.DelaySigma[i]); w > 0 && !math.IsInf(w, 0) {
			g.delay[i] += d * w
			g.certain[i] += w
		}
	}
}

// A delay is reported from lagSigmas of its standard deviation and from
// leastLag on: less changes no in-phase part by 1e-6 at 150 kHz.
const (
	lagSigmas = 6
	leastLag  = 1e-9 // [s]
)

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
	if n := len(g.kept.frames); n > 1 && (len(g.result.Faults) == 0 || len(g.result.Faults[0].Rivals) > 0) {
		f, err := g.inspector.Identify(ctx, g.kept.frames, g.kept.fits)
		if err != nil {
			return err
		}
		if f.Fault != nil {
			g.refine(&f, n)
		}
	}
	return nil
}

// refine takes in what frames showed together: a fault that none showed alone,
// or which one of several that explained each alone.
func (g *Guard) refine(f *integrity.Finding, frames int) {
	if len(g.result.Faults) == 0 {
		g.count(f, frames, true)
		return
	}
	first := g.result.Faults[0]
	first.Words, first.Rivals = f.Fault.Words(g.coils, g.emitters), g.rivals(f)
}

// rivals words the faults that explain a finding as well.
func (g *Guard) rivals(f *integrity.Finding) (all []string) {
	for _, r := range f.Rivals {
		all = append(all, r.Words(g.coils, g.emitters))
	}
	return all
}
