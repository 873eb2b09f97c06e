// Package solve turns a recording into tables of phasors, couplings, poses and of
// what the poses are worth: the job of the command solve.
package solve

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone/recording"
	"tonepose/solver/trajectory"
)

// Options says how a recording becomes poses.
type Options struct {
	measure.Job
	Verdict verdict.Options

	Trajectory Trajectory // needs windows
	Motion     trajectory.Options
	Knots      float64 // of a spline [s]; 0: chosen by the motion

	Figures []string // formats of those of the poses

	// Watch is asked at the begin of each pass over the recording, and what it returns is told
	// of every frame; nil: nobody is. The last pass counts.
	Watch func(*rig.Rig) func(*stream.Measured)
}

// Result is what a run gave besides its tables.
type Result struct {
	measure.Result
	Rig      *rig.Rig
	Poses    int                 // solved
	Unsolved int                 // rows without a pose
	InDoubt  int                 // rows without a flag whose fit noise alone hardly explains
	Drawn    []*report.Poses     // by sensor, for figures
	Tracks   []*trajectory.Track // by sensor, where poses were joined
	Unjoined []error             // of sensors whose poses could not be joined

	Trajectory Trajectory // as asked for
	Motion     trajectory.Motion
	Knots      float64            // as asked for
	Verdicts   []*verdict.Summary // by sensor
	Start      *engine.Start      // of the drives, where the recorder plays them
}

// ErrUnjoined reports that poses could not be joined to a trajectory, from some window on:
// those of single windows are written.
var ErrUnjoined = errors.New("poses of single windows are written, their motion inside of a window not taken off")

// ErrNoPose reports a run without any pose: its tables, which say why row by row, are kept.
var ErrNoPose = errors.New("no pose came out, the tables are kept")

// Run solves a recording of the bench of a rig file. With ErrNoPose the Result is whole.
func Run(ctx context.Context, o Options) (*Result, error) {
	if o.Trajectory != Unjoined && o.Windows.Length == 0 {
		return nil, fmt.Errorf("joining poses to a trajectory needs successive windows: give --window")
	}
	b, rec, err := o.Open(ctx)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	rec.Hash() // beside what prepares the solvers
	if err := o.ReadIntervals(b.SensorNames()); err != nil {
		return nil, err
	}
	o.Verdict.Progress = o.Progress
	eng, err := engine.New(b, engine.Options{Clock: o.Clock, Windows: o.Windows, Verdict: o.Verdict, Sharp: o.Trajectory != Unjoined})
	if err != nil {
		return nil, err
	}
	crosstalk, err := o.Crosstalk(ctx, b)
	if err != nil {
		return nil, err
	}
	eng.Subtract(crosstalk)
	for {
		out, err := o.pass(ctx, b, rec, eng)
		if !errors.Is(err, errAgain) {
			return out, err
		}
	}
}

// errAgain ends a pass whose frames all together showed what changes them.
var errAgain = errors.New("once more")

// pass solves all frames, as far as is known by now of what is at fault.
func (o *Options) pass(ctx context.Context, b *bench.Bench, rec *recording.Reader, eng *engine.Engine) (*Result, error) {
	out := &Result{Result: measure.Result{Info: rec.Info()}, Rig: b.Rig(), Trajectory: o.Trajectory, Motion: o.Motion.Motion, Knots: o.Knots}
	err := o.Write(b, rec, func(set *tables.Set) error {
		w, err := newWriter(b, set, o, out)
		if err != nil {
			return err
		}
		if out.Survey, out.Averaging, err = eng.Run(ctx, rec, w.observation, o.Progress); err != nil {
			return err
		}
		out.Start = eng.Start()
		if out.Verdicts, err = eng.Conclude(ctx); err != nil {
			return err
		}
		if eng.Again() {
			return errAgain
		}
		if err := w.join(ctx); err != nil {
			return err
		}
		if out.Frames == 0 {
			return fmt.Errorf("%s: %w: the recording is shorter than a window", o.Recording, measure.ErrNoRow)
		}
		out.Failed = measure.StepFailed("figures", set.Files.Together(func() error {
			return report.SaveRun(set.Files, filepath.Base(filepath.Clean(o.Out)), out.Rig, out.Drawn, o.Figures)
		}))
		return nil
	}, Tables...)
	if err == nil {
		out.SHA256, err = rec.SHA256()
	}
	if err == nil && out.Poses == 0 {
		err = Poseless(o.Recording, &out.Flags, out.Survey)
	}
	return out, err
}

// Poseless is the ErrNoPose of a run with these rows. It says why: where drives are lost,
// else by the flags.
func Poseless(recording string, rows *verdict.Counts, survey *stream.Survey) error {
	var why []string
	for name, n := range rows.All {
		why = append(why, fmt.Sprintf("%s in %d", name, n))
	}
	if survey != nil {
		if lost := survey.DoubtfulReferences(); len(lost) > 0 {
			why = lost[:1]
		}
	}
	return fmt.Errorf("%s: %w: none of %d rows: %s", recording, ErrNoPose, rows.Rows, strings.Join(why, ", "))
}

// Tables are the names of those that Run makes.
var Tables = []string{tables.PhasorsName, tables.CouplingsName, tables.PosesName, tables.IntegrityName}
