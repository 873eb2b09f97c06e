package engine

import (
	"context"
	"slices"
	"sync"

	"tonepose/cmd/tonepose/internal/stream"
)

// Sensors know nothing of each other. So frames are gathered to chunks, and each
// sensor goes through a chunk on a goroutine of its own, while the observations of
// the chunk before are used. Each meets the frames in their order, whatever the others
// do: the results are those of one goroutine, bit by bit.

// chunkFrames is how many frames are gathered: enough that starting goroutines costs
// nothing beside them, in memory that stays in a core's cache. In a stream nothing is
// gathered, as it would come late.
const chunkFrames = 64

// progress is how far the frames of a line have come, with every sensor alike.
type progress struct {
	sensed int // their poses are found by themselves
	bent   int // of these, their own bend is not in their points any more
	judged int
}

// after is the progress once so many frames are there, those that lag behind the last
// waiting for their neighbours.
func (p progress) after(frames, lag int) progress {
	return progress{sensed: frames, bent: max(p.bent, frames-lag), judged: max(p.judged, frames-2*lag)}
}

// add takes a frame, and hands out observations that are complete.
func (e *Engine) add(ctx context.Context, f *stream.Measured, use func(*Observation) error) error {
	h := e.hold(f)
	if err := e.couple(h); err != nil {
		return err
	}
	l := &e.line
	l.frames = append(l.frames, h)
	switch {
	case e.options.Causal:
		for i := range e.sensors {
			if err := e.advance(ctx, i, false); err != nil {
				return err
			}
		}
		l.at = l.at.after(len(l.frames), l.lag)
		if err := e.handOut(use); err != nil {
			return err
		}
	case len(l.frames) >= l.at.sensed+chunkFrames:
		if err := e.work(ctx, use, false); err != nil {
			return err
		}
	}
	if n := l.used - 2*reach*l.step; n > 0 { // what no further frame needs
		l.free = append(l.free, l.frames[:n]...)
		l.frames = slices.Delete(l.frames, 0, n)
		l.used -= n
		l.at = progress{l.at.sensed - n, l.at.bent - n, l.at.judged - n}
	}
	return nil
}

// flush hands out the observations whose neighbours will not come any more.
func (e *Engine) flush(ctx context.Context, use func(*Observation) error) error {
	if err := e.work(ctx, use, true); err != nil {
		return err
	}
	return e.handOut(use)
}

// work takes all sensors through the frames that have come, to the end of the last
// ones, and beside it lets the observations be used that were complete before. It
// returns when all have ended.
func (e *Engine) work(ctx context.Context, use func(*Observation) error, last bool) error {
	l := &e.line
	var workers sync.WaitGroup
	for i := range e.sensors {
		workers.Go(func() { e.sensors[i].failed = e.advance(ctx, i, last) })
	}
	err := e.handOut(use)
	workers.Wait()
	for i := range e.sensors {
		if err == nil {
			err = e.sensors[i].failed
		}
	}
	if l.at = l.at.after(len(l.frames), l.lag); last {
		l.at = l.at.after(len(l.frames), 0)
	}
	return err
}

// advance takes one sensor through the frames that have come.
func (e *Engine) advance(ctx context.Context, i int, last bool) error {
	l := &e.line
	at := l.at
	settle := func(known, lag int) error {
		to := at.after(known, lag)
		for ; at.bent < to.bent; at.bent++ {
			e.unbend(at.bent, known, i)
		}
		for ; at.judged < to.judged; at.judged++ {
			if !l.frames[at.judged].wanted[i] {
				continue
			}
			e.straighten(at.judged, known, i)
			if err := e.judge(ctx, l.frames[at.judged], i); err != nil {
				return err
			}
		}
		return nil
	}
	for n, h := range l.frames[at.sensed:] {
		if h.wanted[i] {
			e.sense(ctx, h, i)
		}
		if err := settle(at.sensed+n+1, l.lag); err != nil {
			return err
		}
	}
	if last {
		return settle(len(l.frames), 0)
	}
	return nil
}

// handOut lets the observations be used that are complete.
func (e *Engine) handOut(use func(*Observation) error) error {
	l := &e.line
	for ; l.used < l.at.judged; l.used++ {
		h := l.frames[l.used]
		e.seen = Observation{Measured: &h.Measured, Sensors: e.seen.Sensors[:0]}
		for i := range e.sensors {
			if h.wanted[i] {
				e.seen.Sensors = append(e.seen.Sensors, h.sensed[i])
			}
		}
		if e.watch != nil {
			e.watch.see(&e.seen)
		}
		if err := use(&e.seen); err != nil {
			return err
		}
	}
	return nil
}
