package solve

import (
	"context"
	"math"
	"runtime"
	"sync"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/report"
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
	watch   func(*stream.Measured) // nil: nobody watches
	rows    []tables.Coupling      // one frame's, reused
	row     Row                    // one pose's, reused
	joined  []joined               // by sensor; nil: poses are written as they come
	result  *Result
}

func newWriter(b *bench.Bench, set *tables.Set, o *Options, out *Result) (*writer, error) {
	w := &writer{bench: b, tones: b.Tones(), set: set, options: o, phasors: measure.Phasors(b.Tones(), out.Info.Names, nil, set.Phasors.Write), result: out}
	if o.Watch != nil {
		w.watch = o.Watch(b.Rig())
	}
	for i := range b.Sensors() {
		out.Drawn = append(out.Drawn, &report.Poses{Sensor: b.Sensors()[i].Name})
	}
	if o.Trajectory != Unjoined {
		w.joined = make([]joined, len(b.Sensors()))
	}
	for i := range w.joined {
		var err error
		j := &w.joined[i]
		j.sensor = &b.Sensors()[i]
		if j.solver, err = b.Solver(i); err != nil {
			return nil, err
		}
		if j.file, err = set.Files.Scratch(); err != nil {
			return nil, err
		}
	}
	return w, nil
}

func (w *writer) observation(seen *engine.Observation) error {
	w.result.Frames++
	if w.watch != nil {
		w.watch(seen.Measured)
	}
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
	w.result.Flags.Add(v.Flags)
	if v.Verdict.State(v.Flags) == verdict.InDoubt {
		w.result.InDoubt++
	}
	if err := w.set.Integrity.Write(tables.Integrity{Time: f.Time, Duration: f.Duration, Sensor: s.Name, Verdict: v.Verdict, Flags: v.Flags}); err != nil {
		return err
	}
	if w.joined != nil {
		return w.joined[v.Sensor].keep(f, v)
	}
	w.row.Fill(s, f, v)
	return w.done(v)
}

// done counts and writes the row at hand, and shows it to the figures.
func (w *writer) done(v *engine.Sensed) error {
	if w.row.Estimate != nil {
		w.result.Poses++
	} else {
		w.result.Unsolved++
	}
	w.result.Drawn[v.Sensor].Add(&w.row.Pose, v.Verdict.PositionError, v.Verdict.State(v.Flags))
	return w.set.Poses.Write(w.row.Pose)
}

// join writes the poses that waited for the recording's end, in the order of time, those of
// sensors beside each other. A sensor whose poses can't be joined keeps those of its single
// windows.
func (w *writer) join(ctx context.Context) error {
	if w.joined == nil || w.joined[0].windows == 0 {
		return nil
	}
	for i := range w.joined {
		j := &w.joined[i]
		if err := j.save(); err != nil {
			return err
		}
		j.rows = j.reader(j.solver)
	}
	if err := w.together(ctx, 0, func(j *joined) error { return j.begin(ctx, w.options) }); err != nil {
		return err
	}
	w.result.Tracks = make([]*trajectory.Track, len(w.joined))
	for i := range w.joined {
		if j := &w.joined[i]; j.failed == nil {
			w.result.Tracks[i] = j.joiner.Track()
		}
	}
	for n := 0; n < w.joined[0].windows; n++ {
		if err := w.together(ctx, n, func(j *joined) error { return j.next() }); err != nil {
			return err
		}
		for i := range w.joined {
			if err := w.joinedRow(i, n); err != nil {
				return err
			}
		}
	}
	for i := range w.joined {
		if err := w.joined[i].failed; err != nil {
			w.result.Unjoined = append(w.result.Unjoined, err)
		}
	}
	return nil
}

// together does something for all sensors without states for window n.
func (w *writer) together(ctx context.Context, n int, do func(j *joined) error) error {
	var workers sync.WaitGroup
	turns := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i := range w.joined {
		j := &w.joined[i]
		if len(j.states) > 0 || j.failed != nil {
			continue
		}
		turns <- struct{}{}
		workers.Go(func() {
			if err := do(j); err != nil {
				j.fail(err, n, w.options.Trajectory)
			}
			<-turns
		})
	}
	workers.Wait()
	return ctx.Err()
}

// joinedRow writes the pose of sensor i's window n.
func (w *writer) joinedRow(i, n int) error {
	j := &w.joined[i]
	one, err := j.rows.window(n)
	if err != nil {
		return err
	}
	w.row.Fill(j.sensor, &one.measured, &one.sensed)
	if j.failed == nil {
		w.row.Join(j.sensor, &j.states[0])
		j.states = j.states[1:]
	}
	one.sensed.Sensor = i
	return w.done(&one.sensed)
}
