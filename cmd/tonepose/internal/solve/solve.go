// Package solve turns a recording into tables of phasors, couplings, poses and of
// what the poses are worth: the job of the command solve.
package solve

import (
	"context"
	"fmt"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone/recording"
	"tonepose/solver/trajectory"
)

// Options says how a recording becomes poses.
type Options struct {
	measure.Job
	Verdict  verdict.Options
	Baseline string // recording with the sensor far away: crosstalk to subtract; empty: none

	Trajectory Trajectory // needs windows
	Motion     trajectory.Options
	Knots      float64 // of a spline [s]; 0: by cross-validation
}

// Result is what a run gave besides its tables.
type Result struct {
	measure.Result
	Rig      *rig.Rig
	Poses    int                 // solved
	Unsolved int                 // rows without a pose
	Flagged  int                 // rows with a flag
	Tracks   []*trajectory.Track // by sensor, where poses were joined

	Trajectory Trajectory // as asked for
	Motion     trajectory.Motion
	Verdicts   []*verdict.Summary // by sensor
}

// Run solves a recording of the bench of a rig file.
func Run(ctx context.Context, file string, o Options) (*Result, error) {
	r, err := rig.Load(file, rig.Options{})
	if err != nil {
		return nil, err
	}
	b := bench.New(r)
	if err := o.ReadIntervals(b.Sensors()); err != nil {
		return nil, err
	}
	if o.Trajectory != Unjoined && o.Windows.Length == 0 {
		return nil, fmt.Errorf("joining poses to a trajectory needs successive windows: give --window")
	}
	rec, err := b.Open(ctx, o.Recording, o.Reading)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	how := engine.Options{Clock: o.Clock, Windows: o.Windows, Verdict: o.Verdict, Sharp: o.Trajectory != Unjoined}
	var baseline *recording.Reader
	if o.Baseline != "" {
		if baseline, err = b.Open(ctx, o.Baseline, o.Reading); err != nil {
			return nil, err
		}
		defer baseline.Close()
	}
	eng, err := engine.New(b, how)
	if err != nil {
		return nil, err
	}
	set, err := tables.Create(o.Out, o.Force, o.Metadata(rec.Info(), string(r.Text)),
		tables.PhasorsName, tables.CouplingsName, tables.PosesName, tables.IntegrityName)
	if err != nil {
		return nil, err
	}
	defer set.Abort()
	hash := rec.Hash(ctx)
	defer hash.Stop()
	if baseline != nil {
		crosstalk, err := engine.Baseline(ctx, baseline, b, o.Clock, o.Progress)
		if err != nil {
			return nil, err
		}
		eng.Subtract(crosstalk)
	}
	w, err := newWriter(b, set, &o)
	if err != nil {
		return nil, err
	}
	w.result.Info, w.result.Rig, w.result.Trajectory, w.result.Motion = rec.Info(), r, o.Trajectory, o.Motion.Motion
	out := &w.result
	if out.Survey, out.Averaging, err = eng.Run(ctx, rec, w.observation, o.Progress); err != nil {
		return nil, err
	}
	if out.Verdicts, err = eng.Conclude(ctx); err != nil {
		return nil, err
	}
	if err := w.join(ctx); err != nil {
		return nil, err
	}
	if out.Poses == 0 {
		return nil, fmt.Errorf("%s: %w: none of %d frames gave a pose", o.Recording, measure.ErrNoRow, out.Frames)
	}
	if set.Metadata.Recording.SHA256, err = hash.Wait(); err != nil {
		return nil, err
	}
	return out, set.Close()
}
