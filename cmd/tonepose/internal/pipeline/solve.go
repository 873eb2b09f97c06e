package pipeline

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/coupling"
	"tonepose/multitone/recording"
	"tonepose/solver"
	"tonepose/solver/integrity"
	"tonepose/solver/leastsquares"
	"tonepose/solver/trajectory"
)

// SolveOptions says how a recording becomes poses.
type SolveOptions struct {
	Clock    clock.Mode
	Windows  Windows
	Baseline *recording.Reader // sensor far away: crosstalk to subtract; nil: none

	Trajectory Trajectory // needs windows
	Motion     trajectory.Options
	Knots      float64 // of a spline [s]; 0: by cross-validation
	Progress   Progress

	Robust   leastsquares.Loss // nil: plain squares
	LeaveOut bool              // leave out what is found wrong
}

// Sink takes the rows of the tables; each may be nil.
type Sink struct {
	Phasors     func(...tables.Phasor) error
	Couplings   func(...tables.Coupling) error
	Poses       func(...tables.Pose) error
	Integrity   func(...tables.Integrity) error
	Demodulated func(...tables.Demodulated) error // of a pair
}

// Summary counts what a run gave.
type Summary struct {
	Survey    *Survey
	Averaging *Averaging
	lost      []string // where references were, in words
	Frames    int
	Poses     int // solved
	Failed    int // rows without a pose
	Flagged   int
	Tracks    []*trajectory.Track // by sensor, where poses were joined
	Integrity []*Integrity        // by sensor
}

// Probabilities below which a frame is flagged: chance does it to one frame
// in a hundred thousand.
const (
	motionChance    = 1e-5
	distortedChance = 1e-5
	// A fit this improbable is tried again from a cold start.
	doubtfulChance = 1e-3
)

// Solve turns a recording into phasors, couplings and poses.
func (b *Bench) Solve(ctx context.Context, r *recording.Reader, o SolveOptions, out Sink) (*Summary, error) {
	hash := hashRecording(ctx, r)
	defer hash.stop()
	survey, err := b.look(ctx, r, b.mode(o.Clock), o.Progress)
	if err != nil {
		return nil, err
	}
	b.disown(survey, r.Info())
	if err := b.wide(o.Windows, survey.Track.Hz(0, r.Info().Duration())); err != nil {
		return nil, err
	}
	run := &run{bench: b, out: out, rate: r.Info().SampleRate, windowed: o.Windows.Length > 0 || o.Windows.LowPass != nil, summary: &Summary{Survey: survey}}
	for i, s := range b.sensors {
		run.guards = append(run.guards, newGuard(b, i, &o))
		run.couplings = append(run.couplings, coupling.NewMatrix(len(b.Tones), len(s.pickups)))
		n := len(b.Tones) * len(s.pickups)
		run.observed = append(run.observed, solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)})
	}
	run.faults, run.lost = make([]tables.Flags, r.Info().Channels), make([]tables.Flags, len(b.Tones))
	run.last = make([]*rigid.Pose, len(b.sensors))
	run.reference, run.used = b.roles(r.Info().Channels)
	run.summary.lost = b.lostReferences(survey, run.rate, r.Info().Names)
	if run.summary.Averaging, err = b.averaging(r.Info(), survey, o.Windows); err != nil {
		return nil, err
	}
	if o.Baseline != nil {
		if run.baseline, err = b.baseline(ctx, o.Baseline, o.Clock, o.Progress); err != nil {
			return nil, fmt.Errorf("baseline: %w", err)
		}
	}
	if o.Trajectory != Unjoined {
		if o.Windows.Length == 0 {
			return nil, errors.New("joining poses to a trajectory needs successive windows")
		}
		run.joined = make([]joined, len(b.sensors))
	}
	if err = b.measure(ctx, r, survey, o.Windows, run.frame, o.Progress); err != nil {
		return nil, err
	}
	if survey.SHA256, err = hash.wait(); err != nil {
		return nil, err
	}
	for _, g := range run.guards {
		run.summary.Integrity = append(run.summary.Integrity, g.finish())
	}
	return run.summary, run.join(o)
}

// baseline measures the couplings of a whole recording.
func (b *Bench) baseline(ctx context.Context, r *recording.Reader, mode clock.Mode, progress Progress) ([]coupling.Matrix, error) {
	survey, err := b.look(ctx, r, mode, progress)
	if err != nil {
		return nil, err
	}
	var out []coupling.Matrix
	for _, s := range b.sensors {
		out = append(out, coupling.NewMatrix(len(b.Tones), len(s.pickups)))
	}
	err = b.measure(ctx, r, survey, Windows{}, func(f *multitone.Frame, _ []string) error {
		emitters, err := b.respond(f.Hz)
		if err != nil {
			return err
		}
		for i, s := range b.sensors {
			out[i].Fill(f, emitters, s.pickups)
		}
		return nil
	}, progress)
	return out, err
}

// run is the state of one Solve.
type run struct {
	bench     *Bench
	out       Sink
	rate      float64
	windowed  bool
	summary   *Summary
	couplings []coupling.Matrix
	observed  []solver.Couplings
	baseline  []coupling.Matrix
	last      []*rigid.Pose
	guards    []*guard
	joined    []joined // nil: poses are written as they come

	series       series          // of a pair
	reference    []bool          // channels that carry drives
	used         []bool          // channels that a pose or a phasor's phase rests on
	faults       []tables.Flags  // of this frame, by channel
	lost         []tables.Flags  // by tone
	phasorRows   []tables.Phasor // one frame's, reused
	couplingRows []tables.Coupling
}

func (r *run) frame(f *multitone.Frame, sensors []string) error {
	r.summary.Frames++
	b := r.bench
	time, duration := f.Time(r.rate), f.Duration(r.rate)
	var flags tables.Flags
	r.judge(f)
	r.summary.Averaging.hear(f, r.reference)
	if f.BendDOF > 0 && !r.broken() && chance(f.Bend, f.BendDOF) < motionChance {
		flags |= tables.Motion
	}
	if err := r.phasors(f, time, duration, flags); err != nil {
		return err
	}
	if err := r.demodulated(f, time, duration, flags); err != nil {
		return err
	}
	if len(b.sensors) == 0 {
		return nil
	}
	emitters, err := b.respond(f.Hz)
	if err != nil {
		return err
	}
	for i := range b.sensors {
		s := &b.sensors[i]
		if sensors != nil && !slices.Contains(sensors, s.name) {
			continue
		}
		m := r.couplings[i]
		m.Fill(f, emitters, s.pickups)
		if r.baseline != nil {
			if err := m.Subtract(r.baseline[i]); err != nil {
				return err
			}
		}
		own := flags | r.doubts(s)
		if slices.ContainsFunc(m.Variance, func(v float64) bool { return math.IsInf(v, 1) }) {
			own |= tables.ReferenceLost
		}
		if err := r.coupled(s, m, time, duration, own); err != nil {
			return err
		}
		if err := r.pose(i, m, f.Hz, time, duration, own); err != nil {
			return err
		}
	}
	return nil
}

// faultFlags are what a single channel or tone can be blamed for.
const faultFlags = tables.Clipped | tables.Gap | tables.Repeated | tables.Stuck | tables.ReferenceLost

// judge collects what the survey saw of the frame's samples.
func (r *run) judge(f *multitone.Frame) {
	for c := range r.faults {
		r.faults[c] = r.summary.Survey.faults(c, f.Start, f.Stop)
	}
	for k := range r.lost {
		r.lost[k] = 0
		if r.summary.Survey.lost(k, f.Start, f.Stop) {
			r.lost[k] = tables.ReferenceLost
		}
	}
}

// doubts gathers the faults of all that a sensor's pose rests on.
func (r *run) doubts(s *sensor) (f tables.Flags) {
	for _, p := range s.pickups {
		f |= r.faults[p.Channel]
	}
	for k, t := range r.bench.Tones {
		f |= r.lost[k]
		if t.Reference != multitone.NoReference {
			f |= r.faults[t.Reference]
		}
	}
	return f
}

func (r *run) phasors(f *multitone.Frame, time, duration float64, flags tables.Flags) error {
	if r.out.Phasors == nil {
		return nil
	}
	r.phasorRows = r.phasorRows[:0]
	for k, t := range r.bench.Tones {
		for c := range f.Channels {
			v, variance := f.At(k, c)
			flags := flags | r.faults[c] | r.lost[k]
			if t.Reference != multitone.NoReference {
				flags |= r.faults[t.Reference]
			}
			r.phasorRows = append(r.phasorRows, tables.Phasor{Time: time, Duration: duration, Channel: r.bench.Rig.Channels[c].Name, Tone: t.Name, ToneHz: f.Hz[k],
				InPhase: real(v), Quadrature: imag(v), Sigma: math.Sqrt(variance), Flags: flags})
		}
	}
	return r.out.Phasors(r.phasorRows...)
}

func (r *run) coupled(s *sensor, m coupling.Matrix, time, duration float64, flags tables.Flags) error {
	if r.out.Couplings == nil {
		return nil
	}
	r.couplingRows = r.couplingRows[:0]
	for e, t := range r.bench.Tones {
		for p, pick := range s.pickups {
			i := e*len(s.pickups) + p
			flags := flags&^faultFlags | r.faults[pick.Channel] | r.lost[e]
			if t.Reference != multitone.NoReference {
				flags |= r.faults[t.Reference]
			}
			row := tables.Coupling{Time: time, Duration: duration, Emitter: t.Name, Sensor: s.name, Channel: r.bench.Rig.Channels[pick.Channel].Name,
				Value: real(m.Value[i]), Quadrature: imag(m.Value[i]), Sigma: math.Sqrt(m.Variance[i]), Flags: flags}
			if math.IsInf(row.Sigma, 1) {
				row.Sigma = math.NaN()
			}
			r.couplingRows = append(r.couplingRows, row)
		}
	}
	return r.out.Couplings(r.couplingRows...)
}

func (r *run) pose(i int, m coupling.Matrix, hz []float64, time, duration float64, flags tables.Flags) error {
	s := &r.bench.sensors[i]
	obs := r.observed[i]
	for k, v := range m.Value {
		obs.Value[k], obs.Variance[k] = real(v), m.Variance[k]
	}
	var result solver.Result
	var found *integrity.Finding
	guard := r.guards[i]
	if start := r.last[i]; r.windowed && start != nil {
		result = s.solver.Warm(obs, *start)
		if found = guard.known(obs, &result); found != nil {
			// Wrong in the same way as earlier frames: no other place fits.
		} else if result.Status != solver.Converged || result.Outside || chance(result.ChiSquare, result.DOF) < doubtfulChance {
			if cold := s.solver.Cold(obs); cold.Status == solver.Converged && (result.Status != solver.Converged || cold.ChiSquare < result.ChiSquare) {
				result = cold
			}
		}
	} else {
		result = s.solver.Cold(obs)
		found = guard.known(obs, &result)
	}
	s.metal.widen(s.solver, obs, &result)
	judged, verdict := guard.inspect(&obs, m.Value, hz, &result, found, time, flags)
	flags |= judged
	switch result.Status {
	case solver.NotConverged:
		flags |= tables.NotConverged
	case solver.Unobservable, solver.Invalid:
		flags |= tables.Unobservable
	}
	if result.Ambiguous {
		flags |= tables.Ambiguous
	}
	if result.Outside {
		flags |= tables.OutsideVolume
	}
	row := tables.Pose{Time: time, Duration: duration, Sensor: s.name, Chi2: math.NaN(), DOF: result.DOF,
		Iterations: result.Iterations, Status: result.Status.String()}
	if result.Status != solver.Invalid && finite(result.Pose) {
		pose := result.Pose
		row.Estimate, row.Chi2 = &pose, result.ChiSquare
		if tip := r.bench.Rig.Sensors[i].TipM; tip != nil {
			at := pose.Apply(*tip)
			row.Tip = &at
		}
		if result.Status == solver.Converged {
			row.Covariance = upper(&result.Covariance)
			r.last[i] = &pose
		}
	}
	row.Flags = flags
	if row.Estimate != nil {
		r.summary.Poses++
	} else {
		r.summary.Failed++
	}
	if flags != 0 {
		r.summary.Flagged++
	}
	if r.out.Integrity != nil {
		verdict.Time, verdict.Duration, verdict.Sensor, verdict.Flags = time, duration, s.name, flags
		if err := r.out.Integrity(verdict); err != nil {
			return err
		}
	}
	if r.out.Poses == nil {
		return nil
	}
	if r.joined != nil {
		r.joined[i].keep(row, obs)
		return nil
	}
	return r.out.Poses(row)
}

// join writes the poses that waited for the recording's end, in the order of
// time.
func (r *run) join(o SolveOptions) error {
	if r.joined == nil {
		return nil
	}
	m := o.Motion
	m.Smooth = o.Trajectory == Smoothed
	m.WindowSpread, m.Correlation = o.Windows.spread(), o.Windows.correlation()
	for i := range r.joined {
		t, err := r.joined[i].join(&r.bench.sensors[i], o.Trajectory, m, o.Knots)
		if err != nil {
			return err
		}
		r.summary.Tracks = append(r.summary.Tracks, t)
	}
	for k := range r.joined[0].rows {
		for i := range r.joined {
			row := r.joined[i].rows[k]
			if tip := r.bench.Rig.Sensors[i].TipM; tip != nil {
				at := row.Estimate.Apply(*tip)
				row.Tip = &at
			}
			if err := r.out.Poses(row); err != nil {
				return err
			}
		}
	}
	return nil
}

// chance is the probability of a chi-square at least this large.
func chance(chi2 float64, dof int) float64 {
	if dof <= 0 {
		return 1
	}
	return distuv.ChiSquared{K: float64(dof)}.Survival(chi2)
}

func finite(p rigid.Pose) bool {
	q := p.Rotation
	sum := p.Position.X + p.Position.Y + p.Position.Z + q.Real + q.Imag + q.Jmag + q.Kmag
	return !math.IsNaN(sum) && !math.IsInf(sum, 0)
}

func upper(c *[6][6]float64) *tables.Covariance {
	var out tables.Covariance
	for i := range c {
		for j := i; j < 6; j++ {
			out.Set(i, j, c[i][j])
		}
	}
	return &out
}
