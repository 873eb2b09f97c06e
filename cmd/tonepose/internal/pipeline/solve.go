package pipeline

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/coupling"
	"tonepose/multitone/recording"
	"tonepose/solver"
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
	run.summary.lost = b.doubtfulReferences(survey, run.rate, r.Info().Names)
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
	crossings(run.guards)
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
		if r.joined == nil { // a trajectory corrects for the bend
			for i, v := range f.Pull {
				f.Variance[i] += v
			}
		}
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
