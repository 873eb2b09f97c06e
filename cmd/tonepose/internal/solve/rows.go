package solve

import (
	"context"
	"math"
	"runtime"
	"slices"
	"sync"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone"
	"tonepose/solver/trajectory"
)

// writer turns observations into rows of the tables and counts them.
type writer struct {
	bench   *bench.Bench
	tones   []multitone.Tone
	set     *tables.Set
	options *Options
	phasors func(*stream.Measured) error
	rows    []tables.Coupling // one frame's, reused
	row     Row               // one pose's, reused
	joined  []joined          // by sensor; nil: poses are written as they come
	result  *Result
}

func newWriter(b *bench.Bench, set *tables.Set, o *Options, out *Result) (*writer, error) {
	w := &writer{bench: b, tones: b.Tones(), set: set, options: o, phasors: measure.Phasors(b.Tones(), out.Info.Names, nil, set.Phasors.Write), result: out}
	if o.Trajectory != Unjoined {
		w.joined = make([]joined, len(b.Sensors()))
	}
	for i := range w.joined {
		var err error
		if w.joined[i].solver, err = b.Solver(i); err != nil {
			return nil, err
		}
	}
	return w, nil
}

func (w *writer) observation(seen *engine.Observation) error {
	w.result.Frames++
	if err := w.phasors(seen.Measured); err != nil {
		return err
	}
	for i := range seen.Sensors {
		v := &seen.Sensors[i]
		if err := w.couplings(seen.Measured, v); err != nil {
			return err
		}
		if err := w.pose(seen.Measured, v); err != nil {
			return err
		}
	}
	return nil
}

func (w *writer) couplings(f *stream.Measured, v *engine.Sensed) error {
	s := &w.bench.Sensors()[v.Sensor]
	w.rows = w.rows[:0]
	for e, t := range w.tones {
		for p, channel := range s.Channels {
			i := e*len(s.Channels) + p
			row := tables.Coupling{Time: f.Time, Duration: f.Duration, Emitter: t.Name, Sensor: s.Name, Channel: s.Coils[p],
				Value: real(v.Couplings.Value[i]), Quadrature: imag(v.Couplings.Value[i]), Sigma: math.Sqrt(v.Couplings.Variance[i]),
				Flags: v.Doubts&^verdict.SampleFaults | f.Doubts(t, e, channel)}
			if math.IsInf(row.Sigma, 1) {
				row.Sigma = math.NaN()
			}
			w.rows = append(w.rows, row)
		}
	}
	return w.set.Couplings.Write(w.rows...)
}

func (w *writer) pose(f *stream.Measured, v *engine.Sensed) error {
	s := &w.bench.Sensors()[v.Sensor]
	row := &w.row
	if w.joined != nil {
		row = new(Row) // kept
	}
	row.Fill(s, f, v)
	if v.Solved {
		w.result.Poses++
	} else {
		w.result.Unsolved++
	}
	w.result.Flags.Add(v.Flags)
	if err := w.set.Integrity.Write(tables.Integrity{Time: f.Time, Duration: f.Duration, Sensor: s.Name, Verdict: v.Verdict, Flags: v.Flags}); err != nil {
		return err
	}
	if w.joined != nil {
		w.joined[v.Sensor].keep(row, v)
		return nil
	}
	return w.set.Poses.Write(row.Pose)
}

// join writes the poses that waited for the recording's end, in the order of time. A
// sensor whose poses can't be joined keeps those of its single windows.
func (w *writer) join(ctx context.Context) error {
	if w.joined == nil {
		return nil
	}
	w.result.Tracks = make([]*trajectory.Track, len(w.joined))
	failed := make([]error, len(w.joined))
	var workers sync.WaitGroup
	turns := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i := range w.joined {
		turns <- struct{}{}
		workers.Go(func() {
			w.result.Tracks[i], failed[i] = w.joined[i].join(ctx, &w.bench.Sensors()[i], w.options)
			<-turns
		})
	}
	workers.Wait()
	if err := ctx.Err(); err != nil {
		return err
	}
	w.result.Unjoined = slices.DeleteFunc(failed, func(err error) bool { return err == nil })
	for k := range w.joined[0].rows {
		for i := range w.joined {
			if err := w.set.Poses.Write(w.joined[i].rows[k].Pose); err != nil {
				return err
			}
		}
	}
	return nil
}
