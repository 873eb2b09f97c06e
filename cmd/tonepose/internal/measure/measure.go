// Package measure writes the phasors of a recording's tones to a table: the job
// of the command measure with a rig.
package measure

import (
	"context"
	"errors"
	"fmt"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone/recording"
)

// ErrNoRow reports a run whose data or numerics gave no row at all.
var ErrNoRow = errors.New("no row came out")

// Job is what the jobs that make tables of a recording need.
type Job struct {
	Input
	Out   string // directory for the tables
	Force bool   // write into a directory that is not empty
	// Partition is the place of the tables in Out, a data set of many recordings; nil: Out is
	// this recording's own.
	Partition *tables.Partition
	Windows   stream.Windows
	Intervals string // CSV whose rows are measured instead of windows; empty: none
	Tool      string // version, for the tables
	Options   map[string]string
}

// ReadIntervals fills in the intervals of the job's CSV, if there is one; sensors
// are the names that it may have.
func (j *Job) ReadIntervals(sensors []string) error {
	if j.Intervals == "" {
		return nil
	}
	rows, err := tables.ReadIntervals(j.Intervals, sensors)
	if err != nil {
		return err
	}
	j.Windows.Intervals = nil
	for i := range rows {
		j.Windows.Intervals = append(j.Windows.Intervals, Interval(&rows[i]))
	}
	return nil
}

// Write makes the named tables, whose rows fill writes, with their provenance: b
// is the bench, nil without a rig. The recording is hashed meanwhile.
func (j *Job) Write(b *bench.Bench, rec *recording.Reader, fill func(*tables.Set) error, names ...string) error {
	info, from := rec.Info(), tables.Metadata{Tool: j.Tool, Options: j.Options}
	from.Recording = tables.Recording{Name: info.Name, Size: info.SizeBytes, Start: info.Start}
	if b != nil {
		from.Rig = string(b.Rig().Text)
	}
	set, err := j.create(from, names)
	if err != nil {
		return err
	}
	defer set.Abort()
	rec.Hash()
	if err := fill(set); err != nil {
		// Data that are not the ones described are the likelier reason.
		if wrong := rec.Verify(); errors.Is(wrong, recording.ErrHash) {
			return wrong
		}
		if wrong := rec.Unchanged(); errors.Is(wrong, recording.ErrChanged) {
			return wrong
		}
		return err
	}
	if set.Metadata.Recording.SHA256, err = rec.SHA256(); err != nil {
		return err
	}
	return set.Close()
}

func (j *Job) create(from tables.Metadata, names []string) (*tables.Set, error) {
	if j.Partition != nil {
		return tables.CreatePartition(j.Out, j.Partition, from, names...)
	}
	return tables.Create(j.Out, j.Force, from, names...)
}

// Interval is a row of an intervals file.
func Interval(row *tables.Interval) stream.Interval {
	return stream.Interval{Start: row.Start, Stop: row.Stop, Sensor: row.Sensor, Origin: fmt.Sprintf("%s:%d", row.File, row.Line)}
}

// Result is what a run gave besides its tables.
type Result struct {
	Info      recording.Info
	SHA256    string // of the recording, where it was asked for
	Survey    *stream.Survey
	Averaging *stream.Averaging
	Frames    int
	Flags     verdict.Counts // of the rows of the main table
	Failed    error          // ErrStep of the figures: the tables are there without them
}

// Tones measures the tones of the job's rig on every channel.
func Tones(ctx context.Context, j Job) (*Result, error) {
	b, rec, err := j.Open(ctx)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	if err := j.ReadIntervals(nil); err != nil {
		return nil, err
	}
	out := &Result{Info: rec.Info()}
	return out, j.Write(b, rec, func(set *tables.Set) (err error) {
		if out.Survey, err = stream.Observe(ctx, rec, b.Tones(), j.Clock, j.Progress); err != nil {
			return err
		}
		write := Phasors(b.Tones(), out.Info.Names, &out.Flags, set.Phasors.Write)
		return out.Measure(ctx, rec, stream.Measurement{Tones: b.Tones(), Windows: j.Windows, Widen: true}, write, j.Progress)
	}, tables.PhasorsName)
}

// Measure measures frames, counts them and hands them to use.
func (r *Result) Measure(ctx context.Context, rec *recording.Reader, m stream.Measurement, use func(*stream.Measured) error, progress stream.Progress) (err error) {
	r.Averaging, err = stream.Measure(ctx, rec, r.Survey, m, func(f *stream.Measured) error {
		r.Frames++
		return use(f)
	}, progress)
	if err == nil && r.Frames == 0 {
		err = fmt.Errorf("%s: %w: the recording is shorter than a window", r.Info.Name, ErrNoRow)
	}
	return err
}
