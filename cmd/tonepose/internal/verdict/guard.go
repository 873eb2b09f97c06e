// Package verdict judges what the fit of a pose is worth: whether a channel or an
// emitter is at fault, whether metal distorts the fields, how far the true pose
// may lie from the estimate, and what only many frames together show.
package verdict

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/integrity"
	"tonepose/solver/leastsquares"
)

// Probabilities below which a frame is flagged: chance does it to one frame
// in a hundred thousand.
const distortedChance = 1e-5

// EddyFinding is what a Finding says of frames that do not fit, and whose quadrature parts
// show currents that lag.
const EddyFinding = "eddy currents: metal near"

// NothingToSpare is what a Finding says of frames that are fitted exactly, right or wrong.
const NothingToSpare = "as many couplings as unknowns: whatever they are, a pose fits them, so that chi-square tells nothing"

// Doubtful is the probability of a chi-square so large below which a fit is
// tried again from a cold start, and not used to estimate delays.
const Doubtful = 1e-3

// Options says how a Guard judges.
type Options struct {
	Robust   leastsquares.Loss // nil: plain squares
	LeaveOut bool              // solve without what is found at fault
	// Sliding: frames are of a stream, of which only the last seconds count.
	Sliding bool
	// Bent: couplings have the motion inside of their windows still in them, which
	// then explains why they do not fit.
	Bent bool
	// Progress is told how far a search for faults is that takes long; nil: nobody is. Guards
	// may call it at the same time.
	Progress func(pass string, done, total int64)
}

// patient is how long a search for faults goes on before its progress is told of.
const patient = time.Second / 2

// progress tells of one sensor's searches.
func (o *Options) progress(sensor string) func(done, total int) {
	if o.Progress == nil {
		return nil
	}
	var began time.Time
	return func(done, total int) {
		if done == 0 {
			began = time.Now()
		}
		if time.Since(began) > patient {
			o.Progress("look for faults of "+sensor, int64(done), int64(total))
		}
	}
}

// Guard judges the fits of one sensor, frame by frame, and gathers what many
// frames show together. It is for one goroutine.
type Guard struct {
	inspector       *integrity.Inspector
	solver          *solver.Solver
	coils, emitters []string
	options         Options
	result          Summary

	evidence
	slide    slide
	standing standing

	waiting, patience int // frames until tones that stand out are looked for, and after that in vain

	observed integrity.Observation
	judged   integrity.Verdict // of the frame at hand
	widened  *[6][6]float64    // covariance of the pose at hand with what its misfit shows; nil: as fitted
	doubt    *rigid.Pose       // where that pose would be without what is at fault and not left out
	delay    []float64         // Σ delay/σ² and Σ 1/σ², by coil
	certain  []float64
}

// NewGuard judges the fits that s makes of sensor i of a bench.
func NewGuard(b *bench.Bench, i int, s *solver.Solver, o Options) *Guard {
	sensor, tones := &b.Sensors()[i], b.Tones()
	x, volume := integrity.New(s), s.Problem().Volume
	g := &Guard{inspector: x, solver: s, coils: sensor.Coils, options: o, result: Summary{Sensor: sensor.Name, volumeM: r3.Norm(r3.Sub(volume.Max, volume.Min))},
		delay: make([]float64, len(sensor.Coils)), certain: make([]float64, len(sensor.Coils))}
	x.Progress = o.progress(sensor.Name)
	x.Unreferenced = make([]bool, len(tones))
	for e, t := range tones {
		g.emitters = append(g.emitters, t.Name)
		x.Unreferenced[e] = t.Reference.None()
	}
	g.observed.Quadrature = make([]float64, len(tones)*len(sensor.Coils))
	g.due = 1
	return g
}

// Frame is what a Guard is told of a frame besides its fit.
type Frame struct {
	Time     float64   // [s]
	Duration float64   // [s]; frames closer to each other share noise
	Hz       []float64 // of the tones
	Shares   []string  // what each tone is known to share its frequency with, in words
	Flags    Flags     // of the samples
	Torn     bool      // it lies between two rests, and has couplings of both in it
}

// Judge judges a frame's fit: the couplings c with their quadrature parts, the result
// of fitting them, and the fault that Known found. With a fault left
// out, or with a robust loss, result becomes that of the fit asked for and c what
// it was made from. It returns the flags to add. Where judging fails the pose
// is kept, flagged as not judged, and Finding says why; the error is the context's.
// The covariance of result grows by what a misfit shows.
func (g *Guard) Judge(ctx context.Context, c *solver.Couplings, quadrature []complex128, result *solver.Result, found *integrity.Finding, f *Frame) (Flags, Verdict, error) {
	add, row, err := g.judge(ctx, c, quadrature, result, found, f)
	if err != nil {
		return add, row, err
	}
	row.bound(g.solver, *c, result)
	if g.widened != nil {
		result.Covariance = *g.widened
	}
	return add, row, nil
}

func (g *Guard) judge(ctx context.Context, c *solver.Couplings, quadrature []complex128, result *solver.Result, found *integrity.Finding, f *Frame) (add Flags, row Verdict, err error) {
	flags := f.Flags
	if g.options.Sliding {
		g.pass(result, f.Time)
	}
	row, g.widened, g.doubt = unjudged(), nil, nil
	var words []string
	defer func() { row.Finding = strings.Join(words, "; ") }()
	failed := func(what string, reason any) {
		add |= NotJudged
		words = append(words, fmt.Sprintf("%s: %v", what, reason))
	}
	moving := flags&Motion != 0
	excused := flags&SampleFaults != 0 || moving && (g.options.Bent || f.Torn)
	for i, v := range quadrature {
		g.observed.Quadrature[i] = imag(v)
	}
	g.observed.Couplings, g.observed.Hz, g.observed.Moving = *c, f.Hz, moving
	v := &g.judged
	*v = integrity.Verdict{}
	sound := false // v is that of the fit as it stands
	if !excused && flags&DisturbedTone == 0 {
		doubt := false
		if doubt, sound = g.doubtful(result, v); doubt && g.shared(ctx, c, result, f.Shares, f.Time) {
			add |= DisturbedTone
			found = nil
		}
	}
	if (flags|add)&DisturbedTone != 0 {
		for _, d := range g.result.Disturbed {
			if d.dormant {
				continue
			}
			words = append(words, fmt.Sprintf("tone %s is disturbed: %s", d.Tone, d.Cause))
		}
	}
	if found == nil && flags&(Motion|Clipped|Gap|Repeated) == 0 {
		if found, err = g.search(ctx, *c, result, f.Time); err != nil {
			return add, row, err
		}
	}
	if !excused && !moving {
		g.kept.take(*c, result, f.Time)
	}
	if g.options.Sliding && found == nil && !excused && !moving && (flags|add)&DisturbedTone == 0 {
		if err := g.stand(ctx, c, result, f); err != nil {
			return add, row, err
		}
	}
	left := false
	if g.settled != nil {
		add |= WrongChannel
		g.result.WrongChannel++
		words = append(words, g.settled.Words)
		if len(g.settled.Rivals) > 0 && (g.leaves || g.options.Sliding && g.options.LeaveOut) {
			add |= Ambiguous // each leaves another pose
		}
		left = g.apply(c, result)
		found = nil
	}
	if found != nil {
		add |= WrongChannel
		g.result.WrongChannel++
		named := g.count(found)
		words = append(words, named.Words)
		if g.options.LeaveOut {
			if len(named.Rivals) > 0 {
				add |= Ambiguous // each leaves another pose
			}
			left = g.leave(found, c, result)
		}
		if !left {
			g.doubt = &found.Poses[0]
		}
	}
	if result.Status != solver.Converged {
		return add, row, nil
	}
	g.observed.Couplings = *c
	if !sound || g.settled != nil || found != nil {
		if *v, err = g.inspector.Verdict(&g.observed, result, excused); err != nil {
			failed("the fit is not judged", err)
			return add, row, nil
		}
	}
	row.Chi2, row.DOF = result.ChiSquare, result.DOF
	if result.DOF == 0 {
		add |= NotJudged
		words = append(words, NothingToSpare)
	}
	if v.Quadrature.DOF > 0 {
		row.QuadratureChi2, row.QuadratureDOF = v.Quadrature.ChiSquare, v.Quadrature.DOF
	}
	unexplained := g.doubt == nil
	g.result.Frames++
	if v.Distorted && unexplained {
		add |= Distorted
		g.result.Distorted++
		text := "does not fit the field model"
		if v.Eddy || g.options.Sliding && g.askEddy(v, f) {
			g.result.Eddy++
			text = EddyFinding
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
			if *v, err = g.inspector.Verdict(&g.observed, result, excused); err != nil {
				failed("the robust fit is not judged", err)
				return add, row, nil
			}
		}
	}
	row.Spread, row.PositionError, row.RotationError, row.Growth = v.Spread, v.PositionError, v.RotationError, v.Growth
	if !(moving && g.options.Bent) {
		g.widened = &v.Covariance
		if g.doubt != nil {
			integrity.AddDoubt(g.widened, result.Pose, *g.doubt)
		}
	}
	if v.PositionError > g.result.WorstPositionErrorM {
		g.result.WorstPositionErrorM, g.result.WorstRotationErrorRad = v.PositionError, v.RotationError
		g.result.WorstTimeS = f.Time
	}
	return add, row, nil
}

// leave solves again without a fault. Where what is left fixes no pose, as one of
// two coils, all stays as it is, and it returns false.
func (g *Guard) leave(found *integrity.Finding, c *solver.Couplings, result *solver.Result) bool {
	f := *found.Fault
	if k := g.entry(&f); k != nil && f.GainSigma == 0 { // known from other frames
		f.GainSigma = k.fault.GainSigma
	}
	mended := g.inspector.Mend(*c, f)
	again := g.solver.Warm(mended, found.Poses[0])
	if again.Status != solver.Converged {
		return false
	}
	g.mendQuadrature(f, c.Variance)
	g.inspector.AddGain(mended, f, &again)
	*c, *result = mended, again
	return true
}

// mendQuadrature takes a fault from the quadrature parts at hand, where it is taken out
// and not left out.
func (g *Guard) mendQuadrature(f integrity.Fault, variance []float64) {
	if f.Kind == integrity.Exchanged || f.Part == integrity.Whole {
		lag := solver.Couplings{Value: g.observed.Quadrature, Variance: variance}
		copy(g.observed.Quadrature, g.inspector.Mend(lag, f).Value)
	}
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
