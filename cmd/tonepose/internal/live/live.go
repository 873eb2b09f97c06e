// Package live follows a stream: it writes poses as they come, as rows and in parts of
// tables, and may keep the samples. The job of the command live.
//
//	source → (recorder) → engine → gather → show → keep
//
// gather makes rows of the engine's observations on the engine's goroutine, show writes
// them and takes their latency, keep writes the parts, each on a goroutine of its own.
// Between them are bounded queues: where one does not keep up, reading skips windows.
package live

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"runtime/debug"
	"syscall"
	"time"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone/recording"
	"tonepose/solver/trajectory"
)

// Options says what becomes of a stream.
type Options struct {
	measure.Job // Recording names the source, Out is the directory of parts
	Source      source.Options
	Verdict     verdict.Options

	Joined bool    // poses rest on the windows before them as well
	Lag    float64 // and on those up to so long after them [s]
	Motion trajectory.Options

	PartSeconds float64  // of a part
	Tables      []string // that are written in parts
	Record      string   // file that keeps the samples; empty: none

	Rows   Rows               // nil: none
	Stdout io.Writer          // of Rows
	Event  func(engine.Event) // is told what begins and ends; nil: nobody is
	Look   func(*State)       // is shown how it goes, once a frame; nil: nobody
}

// Rows are the form of rows that are written as they come.
type Rows interface {
	// Head is what stands before the first row, of poses or of a pair.
	Head(pair bool) []byte
	// Pose appends the row of a pose, Pair that of a signal against its reference.
	Pose(to []byte, row *tables.Pose) []byte
	Pair(to []byte, row *tables.Demodulated, l tables.Live) []byte
}

// State is how a run goes: what came last, and the counts so far.
type State struct {
	Poses       []tables.Pose        // of the newest frame
	Demodulated []tables.Demodulated // of a pair instead
	Latency     *Latency
	Counts
}

// Counts are of the rows of poses that were shown.
type Counts struct {
	Frames, Solved, Unsolved int
	Flags                    verdict.Counts
	Skipped                  int // windows
	// Waited are windows that had come before the clock was captured: their latencies,
	// which tell nothing of the others, are not counted.
	Waited int
}

// Result is what a run gave.
type Result struct {
	Info        recording.Info
	Rig         *rig.Rig
	Survey      *stream.Survey // nil: the stream ended before its clock was captured
	Averaging   *stream.Averaging
	Counts      Counts
	Latency     *Latency
	Parts       int // written
	Continued   int // parts that were there before
	Lost        []stream.Gap
	Verdicts    []*verdict.Summary // by sensor
	Interrupted bool               // before the stream ended
}

// rig is the one of the rig file; without one, that of the simulated bench.
func (o *Options) rig() (*rig.Rig, error) {
	if o.Rig == "" {
		if r, err := source.BenchRig(o.Recording); r != nil || err != nil {
			return r, err
		}
	}
	return rig.Load(o.Rig, rig.Options{})
}

// Run follows a stream of the bench of a rig file until it ends or the context does. An
// end by the context is none by an error: the part at hand is completed, the unfinished
// window is dropped.
func Run(ctx context.Context, o Options) (*Result, error) {
	if o.Joined = o.Joined || o.Lag > 0; o.Joined && o.Windows.Length == 0 {
		return nil, errors.New("joining poses needs successive windows: give --window")
	}
	o.PartSeconds = cmp.Or(o.PartSeconds, 10)
	// Searches for lines leave tens of MiB every few seconds, frames nothing: what is
	// collected early costs little.
	defer debug.SetGCPercent(debug.SetGCPercent(30))
	if err := checkRecord(o.Record, o.Force); err != nil {
		return nil, err
	}
	r, err := o.rig()
	if err != nil {
		return nil, err
	}
	b := bench.New(r)
	eng, err := engine.New(b, engine.Options{Clock: o.Clock, Windows: o.Windows, Verdict: o.Verdict, Causal: true, Sharp: o.Joined, Event: o.Event})
	if err != nil {
		return nil, err
	}
	crosstalk, err := o.Crosstalk(ctx, b)
	if err != nil {
		return nil, err
	}
	eng.Subtract(crosstalk)
	out := &Result{Rig: r}
	parts, err := o.parts(b)
	if err != nil {
		return nil, err
	}
	defer parts.Abort()
	reading := o.Source
	reading.Reading, reading.Instrument = b.Reading(o.Reading), r.Source
	src, err := source.Open(ctx, o.Recording, reading)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	out.Info = src.Info()
	if err := b.InVolts(&out.Info); err != nil {
		return nil, err
	}
	read := src
	var kept *recorder
	if o.Record != "" {
		if kept, err = o.record(src, reading.Reading.FullScale); err != nil {
			return nil, err
		}
		read = kept
	}
	line, err := newPipeline(ctx, &o, b, src, parts)
	if err != nil {
		return nil, err
	}
	out.Survey, out.Averaging, err = eng.Run(ctx, read, line.gather, o.Progress)
	err = line.end(ctx, err)
	if failed := kept.end(); err == nil {
		err = failed
	}
	out.Counts, out.Latency, out.Parts = line.counts, &line.latency, line.written
	if parts != nil {
		out.Continued = parts.Earlier.Parts
	}
	if out.Interrupted = ended(ctx, err); out.Interrupted {
		err = nil
	}
	if err != nil {
		return nil, err
	}
	if src.Close(); out.Survey != nil { // nobody reads any more
		out.Lost = src.Lost()
		out.Counts.Skipped += out.Survey.Skipped
	}
	if out.Verdicts, err = eng.Conclude(context.WithoutCancel(ctx)); err != nil {
		return nil, err
	}
	if out.Counts.Solved == 0 && !out.Interrupted {
		if out.Counts.Frames == 0 {
			return nil, fmt.Errorf("%s: %w: the stream is shorter than a window", o.Recording, measure.ErrNoRow)
		}
		return out, solve.Poseless(o.Recording, &out.Counts.Flags, out.Survey)
	}
	return out, nil
}

// ended tells whether a run ended because it was asked to, or because nobody reads its
// rows any more.
func ended(ctx context.Context, err error) bool {
	return ctx.Err() != nil && errors.Is(err, ctx.Err()) || errors.Is(err, syscall.EPIPE)
}

// parts begins the tables; nil: none are wanted.
func (o *Options) parts(b *bench.Bench) (*tables.Parts, error) {
	if o.Out == "" {
		return nil, nil
	}
	m := tables.Metadata{Tool: o.Tool, Options: o.Options, Recording: tables.Recording{Name: o.Recording}}
	if b != nil {
		m.Rig = string(b.Rig().Text)
	}
	return tables.Append(o.Out, o.Force, o.PartSeconds, m, o.Tables...)
}

// shift is what is added to the times of a run that goes on with the parts of others: the
// time that went by, but no less than they have.
func shift(e *tables.Earlier, start time.Time) float64 {
	if e.Parts == 0 || e.Start.IsZero() || start.IsZero() {
		return e.End
	}
	return max(e.End, start.Sub(e.Start).Seconds())
}
