// Package engine turns the samples of a bench into observations: couplings, poses and
// verdicts, frame by frame.
//
//	stream.Measured → coupling.Matrix → solver.Result → verdict.Verdict = Observation
//
// The poses before and after a frame tell the motion inside of its window, which is
// taken off.
package engine

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/coupling"
	"tonepose/solver"
	"tonepose/solver/integrity"
)

// Options says how frames become poses.
type Options struct {
	Clock   clock.Mode
	Windows stream.Windows
	Verdict verdict.Options
	// Causal measures a stream as it comes, with what has been seen by then: no frame
	// waits for those that tell how its sensor moves on. Else
	// the source is read twice: to its end for the clock, the mains and the faults,
	// then for the frames.
	Causal bool
	// Event is told what begins, ends or happens in a stream, between the observations;
	// nil: nobody is.
	Event func(Event)
	// Sharp keeps the variances of phasors that bend inside a window as noise
	// alone makes them: for joining poses to a trajectory, which has the motion.
	Sharp bool
}

// Observation is what one frame shows of all sensors. The next one overwrites it.
type Observation struct {
	*stream.Measured
	Sensors []Sensed // of those for which the frame is meant
}

// Sensed is what one frame shows of one sensor.
type Sensed struct {
	Sensor    int
	Couplings coupling.Matrix // as measured, a baseline taken off
	Doubts    verdict.Flags   // of the samples behind them
	// Fitted are the couplings that Fit was made from: without what was found at
	// fault.
	Fitted  solver.Couplings
	Fit     solver.Result
	Solved  bool          // Fit has a pose
	Flags   verdict.Flags // of the pose, Doubts among them
	Verdict verdict.Verdict

	torn bool // the frame lies between two rests, and has couplings of both in it
}

// Engine makes observations of frames. It is for one goroutine, and has others work
// for it while it runs; several Engines on one Bench may run beside each other.
type Engine struct {
	bench   *bench.Bench
	tones   []multitone.Tone
	coupler *bench.Coupler
	options Options
	sensors []sensor
	guards  []*verdict.Guard
	seen    Observation
	line    line
	start   *Start // of the drives, where the recorder plays them
	survey  *stream.Survey
	again   bool   // the next run is of the same source
	watch   *watch // of a stream

	baseline []coupling.Matrix // of each sensor; nil: none
}

// sensor is the state of one sensor.
type sensor struct {
	solver *solver.Solver
	bender bender
	last   *rigid.Pose // the last good one; nil: none yet
	pose   rigid.Pose  // its memory
	seek   seeker
	failed error // of the chunk at hand
}

// New makes an Engine for a bench.
func New(b *bench.Bench, o Options) (*Engine, error) {
	o.Verdict.Bent, o.Verdict.Sliding = o.Sharp, o.Causal
	e := &Engine{bench: b, tones: b.Tones(), coupler: b.Coupler(), options: o}
	for i := range b.Sensors() {
		sv, err := b.Solver(i)
		if err != nil {
			return nil, err
		}
		n := len(e.tones) * len(b.Sensors()[i].Channels)
		e.sensors = append(e.sensors, sensor{solver: sv, seek: seeker{solver: sv}, bender: bender{solver: sv, mean: make([]float64, n), value: make([]float64, n)}})
		e.guards = append(e.guards, verdict.NewGuard(b, i, sv, o.Verdict))
	}
	return e, nil
}

// Measurement is what the engine needs to have measured.
func (e *Engine) Measurement() stream.Measurement {
	channels := len(e.bench.Rig().Channels)
	rests := stream.References(e.tones, channels)
	for _, s := range e.bench.Sensors() {
		for _, c := range s.Channels {
			rests[c] = true
		}
	}
	m := stream.Measurement{Tones: e.tones, Windows: e.options.Windows, Rests: rests, Widen: !e.options.Sharp && e.line.step == 0}
	if e.options.Causal {
		m.Volts = e.bench.DriveVolts()
	}
	if e.options.Event != nil {
		m.Note = func(n stream.Note) { e.options.Event(Event{Time: n.Time, Text: n.Text}) }
	}
	return m
}

// Run observes a source from its first sample to its last.
func (e *Engine) Run(ctx context.Context, src stream.Source, use func(*Observation) error, progress stream.Progress) (survey *stream.Survey, averaging *stream.Averaging, err error) {
	if err := e.options.Windows.Check(src.Info(), e.tones); err != nil {
		return nil, nil, err
	}
	if err := e.begin(src.Info().SampleRate); err != nil {
		return nil, nil, err
	}
	if e.watch = nil; e.options.Causal && e.options.Event != nil {
		e.watch = newWatch(e.bench, e.options.Event)
	}
	measured := func(f *stream.Measured) error { return e.add(ctx, f, use) }
	if e.options.Causal {
		if e.bench.Rig().Playback != nil {
			return nil, nil, fmt.Errorf("%s: a stream %w: signs and start are told by the whole of a recording", src.Info().Name, ErrUndriven)
		}
		survey, averaging, err = stream.Follow(ctx, src, e.options.Clock, e.Measurement(), measured, progress)
	} else {
		if !e.again {
			e.start = nil
			if e.survey, err = stream.ObserveDriven(ctx, src, e.tones, e.bench.DriveVolts(), e.options.Clock, progress); err != nil {
				return nil, nil, err
			}
		}
		survey, e.again = e.survey, false
		if e.start == nil {
			if e.start, err = FindStart(ctx, src, e.bench, survey, e.options.Windows, progress); err != nil {
				return nil, nil, fmt.Errorf("%s: %w", src.Info().Name, err)
			}
		}
		averaging, err = stream.Measure(ctx, src, survey, e.Measurement(), measured, progress)
	}
	if err == nil {
		err = e.flush(ctx, use)
	}
	return survey, averaging, err
}

// Subtract takes crosstalk off the couplings of every further frame; see Baseline.
func (e *Engine) Subtract(crosstalk []coupling.Matrix) { e.baseline = crosstalk }

// Start is when the recorder began to play the drives, once Run has found it; nil
// where they are digitised.
func (e *Engine) Start() *Start { return e.start }

// Conclude is what all frames so far show of each sensor, its channels and the
// emitters.
func (e *Engine) Conclude(ctx context.Context) ([]*verdict.Summary, error) {
	return verdict.Conclude(ctx, e.guards)
}

// Again prepares to run the same source once more, with the conclusions of a run that
// has ended; false where they change no observation.
func (e *Engine) Again() bool {
	next := verdict.Again(e.guards)
	if next == nil || e.options.Causal {
		return false
	}
	e.guards, e.again = next, true
	for i := range e.sensors {
		e.sensors[i].last, e.sensors[i].seek = nil, seeker{solver: e.sensors[i].solver}
	}
	return true
}

// couple takes the couplings of a frame.
func (e *Engine) couple(h *held) error {
	f := &h.Measured
	if err := e.coupler.Tune(f.Hz); err != nil {
		return err
	}
	if e.start != nil {
		e.coupler.Drive(e.start.at(e.tones, f.Time), e.start.sigmas)
	}
	for i := range e.sensors {
		v := &h.sensed[i]
		if h.wanted[i] = f.Wanted(e.bench.Sensors()[i].Name); !h.wanted[i] {
			continue
		}
		e.coupler.Fill(v.Couplings, i, f.Frame)
		if e.baseline != nil {
			if err := v.Couplings.Subtract(e.baseline[i]); err != nil {
				return err
			}
		}
		if e.start != nil {
			e.start.hush(f, &v.Couplings)
		}
		// What a drive divides that is not there is no coupling.
		for k := range v.Couplings.Variance {
			if e.absent(k / len(e.bench.Sensors()[i].Channels)) {
				v.Couplings.Variance[k] = math.Inf(1)
			}
		}
	}
	return nil
}

// sense finds the pose of one sensor from a frame by itself.
func (e *Engine) sense(ctx context.Context, h *held, i int) {
	f, v := &h.Measured, &h.sensed[i]
	v.Doubts = e.doubts(f, i, v)
	for k, m := range v.Couplings.Value {
		v.Fitted.Value[k], v.Fitted.Variance[k] = real(m), v.Couplings.Variance[k]
	}
	copy(v.Fitted.Common, v.Couplings.Common)
	if e.guards[i].Weigh(&v.Fitted) {
		v.Doubts |= verdict.DisturbedTone
	}
	e.guards[i].Prepare(&v.Fitted)
	s := &e.sensors[i]
	v.Fit, h.found[i] = e.fit(ctx, s, e.guards[i], v.Fitted)
	good := v.Fit.Status == solver.Converged && v.Fit.Pose.Finite()
	if good {
		s.pose = v.Fit.Pose
		s.last = &s.pose
	}
	p := &h.point[i]
	*p = point{time: f.Time, pose: v.Fit.Pose, good: good && v.Doubts&^(verdict.Motion|verdict.DisturbedTone|verdict.LeftOut) == 0 && h.found[i] == nil, steady: f.BendDOF > 0 && f.Flags&verdict.Motion == 0}
	for k := range p.sigma {
		p.sigma[k] = math.Sqrt(v.Fit.Covariance[k][k])
	}
}

// absent tells whether a tone was not found on the channel of its drive.
func (e *Engine) absent(tone int) bool {
	return e.survey != nil && e.survey.Absent(tone)
}

// doubts gathers the flags of all that a sensor's pose rests on.
func (e *Engine) doubts(f *stream.Measured, i int, v *Sensed) verdict.Flags {
	flags := f.Flags
	for _, c := range e.bench.Sensors()[i].Channels {
		flags |= f.Channels[c]
	}
	for k, t := range e.tones {
		flags |= f.Lost[k]
		if c, ok := t.Reference.Channel(); ok {
			flags |= f.Channels[c]
		}
	}
	if slices.ContainsFunc(v.Couplings.Value, cmplx.IsNaN) { // a pickup without samples has a value, of no weight
		flags |= verdict.ReferenceLost
	}
	return flags
}

// judge judges the fit of one sensor in one frame.
func (e *Engine) judge(ctx context.Context, h *held, i int) error {
	f, v := &h.Measured, &h.sensed[i]
	if v.Fit.Status == solver.Converged {
		e.sensors[i].solver.Twins(v.Fitted, &v.Fit) // a pose that was followed has met none
	}
	fitted := v.Fitted // Judge may replace it
	judged, worth, err := e.guards[i].Judge(ctx, &fitted, v.Couplings.Value, &v.Fit, h.found[i],
		&verdict.Frame{Time: f.Time, Duration: f.Duration, Hz: f.Hz, Shares: f.Shares, Flags: v.Doubts, Torn: v.torn})
	if err != nil {
		return err
	}
	v.Verdict = worth
	copy(v.Fitted.Common, fitted.Common)
	copy(v.Fitted.Value, fitted.Value)
	copy(v.Fitted.Variance, fitted.Variance)
	v.Flags = v.Doubts | judged
	switch v.Fit.Status {
	case solver.NotConverged:
		v.Flags |= verdict.NotConverged
	case solver.Unobservable, solver.Invalid:
		v.Flags |= verdict.Unobservable
	}
	if v.Fit.Ambiguous || e.start.ambiguous(i) {
		v.Flags |= verdict.Ambiguous
	}
	if v.Fit.Outside {
		v.Flags |= verdict.OutsideVolume
	}
	v.Solved = v.Fit.HasPose()
	return nil
}

// fit finds a sensor's pose: from the last one where observations follow each
// other closely, cold else or where that does not fit. It names the fault of
// earlier frames if this one shows it again.
func (e *Engine) fit(ctx context.Context, s *sensor, guard *verdict.Guard, c solver.Couplings) (result solver.Result, found *integrity.Finding) {
	if s.last == nil || !e.options.Windows.Successive() {
		result = s.solver.Cold(c)
		return result, guard.Known(ctx, c, &result)
	}
	result = s.solver.Warm(c, *s.last)
	if found = guard.Known(ctx, c, &result); found != nil {
		return result, found // wrong in the same way as earlier frames: no other position fits
	}
	return s.seek.follow(c, result), nil
}

// Baseline measures the couplings of a whole source in which the sensors are far
// away: the crosstalk from drives to pickups.
func Baseline(ctx context.Context, src stream.Source, b *bench.Bench, mode clock.Mode, progress stream.Progress) ([]coupling.Matrix, error) {
	if b.Rig().Playback != nil {
		return nil, fmt.Errorf("baseline: crosstalk from the drives %w: their signs are told by poses alone", ErrUndriven)
	}
	tones, coupler := b.Tones(), b.Coupler()
	survey, err := stream.Observe(ctx, src, tones, mode, progress)
	if err != nil {
		return nil, fmt.Errorf("baseline: %w", err)
	}
	var out []coupling.Matrix
	for i := range b.Sensors() {
		out = append(out, coupler.Matrix(i))
	}
	_, err = stream.Measure(ctx, src, survey, stream.Measurement{Tones: tones}, func(f *stream.Measured) error {
		if err := coupler.Tune(f.Hz); err != nil {
			return err
		}
		for i := range out {
			coupler.Fill(out[i], i, f.Frame)
		}
		return nil
	}, progress)
	if err != nil {
		return nil, fmt.Errorf("baseline: %w", err)
	}
	return out, nil
}
