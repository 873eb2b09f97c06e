// Package measure writes the phasors of a recording's tones to a table: the job
// of the command measure with a rig.
package measure

import (
	"context"
	"errors"
	"fmt"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// ErrNoRow reports a run whose data or numerics gave no row at all.
var ErrNoRow = errors.New("no row came out")

// Job is what all jobs on a recording need.
type Job struct {
	Recording string
	Reading   recording.Options
	Out       string // directory for the tables
	Force     bool   // write into a directory that is not empty
	Clock     clock.Mode
	Windows   engine.Windows
	Intervals string // CSV whose rows are measured in place of windows; empty: none
	Tool      string // version, for the tables
	Options   map[string]string
	Progress  engine.Progress
}

// Metadata is the provenance of tables made from a recording.
func (j *Job) Metadata(info recording.Info, rigText string) tables.Metadata {
	return tables.Metadata{Tool: j.Tool, Rig: rigText, Options: j.Options,
		Recording: tables.Recording{Name: info.Name, Size: info.SizeBytes, Start: info.Start}}
}

// ReadIntervals fills in the intervals of the job's CSV, if there is one; sensors
// are the names that it may have.
func (j *Job) ReadIntervals(sensors []bench.Sensor) error {
	if j.Intervals == "" {
		return nil
	}
	var names []string
	for _, s := range sensors {
		names = append(names, s.Name)
	}
	rows, err := tables.ReadIntervals(j.Intervals, names)
	if err != nil {
		return err
	}
	j.Windows.Intervals = nil
	for i := range rows {
		j.Windows.Intervals = append(j.Windows.Intervals, Interval(&rows[i]))
	}
	return nil
}

// Interval is a row of an intervals file.
func Interval(row *tables.Interval) engine.Interval {
	return engine.Interval{Start: row.Start, Stop: row.Stop, Sensor: row.Sensor, Origin: fmt.Sprintf("%s:%d", row.File, row.Line)}
}

// Result is what a run gave besides its tables.
type Result struct {
	Info      recording.Info
	Survey    *engine.Survey
	Averaging *engine.Averaging
	Frames    int
}

// Tones measures the tones of a rig on every channel.
func Tones(ctx context.Context, file string, j Job) (*Result, error) {
	r, err := rig.Load(file, rig.Options{})
	if err != nil {
		return nil, err
	}
	b := bench.New(r)
	if err := j.ReadIntervals(nil); err != nil {
		return nil, err
	}
	rec, err := b.Open(ctx, j.Recording, j.Reading)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	out := &Result{Info: rec.Info()}
	set, err := tables.Create(j.Out, j.Force, j.Metadata(out.Info, string(r.Text)), tables.PhasorsName)
	if err != nil {
		return nil, err
	}
	defer set.Abort()
	hash := rec.Hash(ctx)
	defer hash.Stop()
	if out.Survey, err = engine.Observe(ctx, rec, b.Tones(), j.Clock, j.Progress); err != nil {
		return nil, err
	}
	if err := out.Survey.Holds(&j.Windows); err != nil {
		return nil, err
	}
	write := Phasors(b.Tones(), out.Info.Names, set.Phasors.Write)
	out.Averaging, err = engine.Measure(ctx, rec, out.Survey, engine.Measurement{Tones: b.Tones(), Windows: j.Windows, Widen: true}, func(f *engine.Measured) error {
		out.Frames++
		return write(f)
	}, j.Progress)
	if err != nil {
		return nil, err
	}
	if out.Frames == 0 {
		return nil, fmt.Errorf("%s: %w: the recording is shorter than a window", j.Recording, ErrNoRow)
	}
	if set.Metadata.Recording.SHA256, err = hash.Wait(); err != nil {
		return nil, err
	}
	return out, set.Close()
}
