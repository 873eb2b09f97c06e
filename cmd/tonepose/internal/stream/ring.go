package stream

import (
	"context"
	"errors"
	"io"
	"math"
	"sync/atomic"

	"tonepose/multitone/recording"
)

// ringSeconds is how far reading may be ahead of measuring.
const ringSeconds = 0.25

// leastRing is the least number of blocks in a ring: one is read, one is measured.
const leastRing = 4

// ring holds the blocks of a stream between the goroutine that reads it and that which
// measures. Where it is full and the source does not wait, all that waits in it is
// skipped at once: then measuring is up to date again, and no more windows are torn than
// need be. While a clock is captured reading waits instead: that needs samples without a
// hole, and no more than a moment for them.
type ring struct {
	src       Source
	live      Live // src, if it is
	info      recording.Info
	counts    bool
	cadence   cadence
	free      chan *filled
	full      chan *filled
	ended     chan struct{} // reading has ended
	capturing atomic.Bool   // nothing is skipped
	marks     *recording.Monitor
	at        int64   // next sample to be handed over
	origin    int64   // where time last broke
	stage     *filled // what was read and not handed over yet: samples from at on
	from      int     // of these the first that is left
	breaks    []int64 // samples before which time breaks, at or behind at
	known     int     // gaps of the source that were looked at
	lost      bool    // a break lies in what was skipped
	carried   []recording.Mark
	remaining [][]float64 // view
}

// filled is a block with its memory.
type filled struct {
	Block
	counts []int16
	volts  [][]float64
	n      int
	marks  []recording.Mark // which samples, in the source's numbering, are not finite
	err    error            // after the samples
}

func newRing(src Source, counts bool, c cadence) *ring {
	r := &ring{src: src, info: src.Info(), counts: counts, cadence: c, ended: make(chan struct{})}
	r.live, _ = src.(Live)
	r.marks = recording.NewMarks(r.info)
	src.Watch(r.marks)
	size := int(c.longest())
	blocks := max(leastRing, int(math.Ceil(ringSeconds*r.info.SampleRate/float64(size))))
	r.free, r.full = make(chan *filled, blocks), make(chan *filled, blocks)
	for range blocks {
		r.free <- r.block(size)
	}
	r.stage = r.block(size)
	r.remaining = make([][]float64, r.info.Channels)
	return r
}

func (r *ring) block(samples int) *filled {
	f := &filled{}
	if r.counts {
		f.counts = make([]int16, samples*r.info.Channels)
	} else {
		f.volts, f.Volts = planes(r.info.Channels, samples), make([][]float64, r.info.Channels)
	}
	return f
}

// follow reads the source to its end on a goroutine of its own, which has ended when
// follow returns, and lets the blocks be used. The next one overwrites a block.
func (r *ring) follow(ctx context.Context, use func(*filled) error) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer func() {
		cancel()
		if c, ok := r.src.(io.Closer); ok && r.live != nil && err != nil { // a read that waits ends
			c.Close()
		}
		<-r.ended
	}()
	go r.read(ctx)
	for {
		var f *filled
		select {
		case <-ctx.Done():
			return ctx.Err()
		case f = <-r.full:
		}
		if f.n > 0 {
			f.cut(r.info.Channels)
			if err := use(f); err != nil {
				return err
			}
		}
		if errors.Is(f.err, io.EOF) {
			return ctx.Err()
		}
		if f.err != nil {
			return f.err
		}
		r.free <- f // never blocks: there are no more blocks than the channel holds
	}
}

// cut shows the samples that the block has.
func (f *filled) cut(channels int) {
	if f.counts != nil {
		f.Counts = f.counts[:f.n*channels]
	}
	for c := range f.volts {
		f.Volts[c] = f.volts[c][:f.n]
	}
}

// read fills blocks until the source has ended.
func (r *ring) read(ctx context.Context) {
	defer close(r.ended)
	for {
		f := r.room(ctx)
		if f == nil {
			return
		}
		f.err = r.fill(ctx, f)
		r.full <- f // never blocks
		if f.err != nil {
			return
		}
	}
}

// room is a block to be filled: one that is free, or one of those that are skipped. Nil:
// nobody wants any more.
func (r *ring) room(ctx context.Context) *filled {
	select {
	case f := <-r.free:
		return f
	default:
	}
	for r.live != nil && !r.live.Waits() && !r.capturing.Load() {
		select {
		case f := <-r.full:
			r.lost = r.lost || f.Reset
			for _, m := range f.marks {
				if m.Stop > r.at {
					r.carried = append(r.carried, m)
				}
			}
			r.free <- f
			continue
		default:
		}
		break
	}
	select {
	case f := <-r.free:
		return f
	case <-ctx.Done():
		return nil
	}
}

// fill reads the next block: to where the cadence ends it, or to a break of time. At an
// error it holds what came before.
func (r *ring) fill(ctx context.Context, f *filled) error {
	f.First, f.n, f.Reset, f.marks = r.at, 0, r.lost, append(f.marks[:0], r.carried...)
	r.lost, r.carried = false, r.carried[:0]
	for {
		end := r.cadence.next(r.at-r.origin) + r.origin
		if r.from == r.stage.n {
			if err := r.take(int(end - r.at)); err != nil {
				return err
			}
			if r.stage.n == 0 {
				if err := ctx.Err(); err != nil {
					return err
				}
				continue
			}
		}
		f.marks, r.stage.marks = append(f.marks, r.stage.marks...), r.stage.marks[:0]
		if len(r.breaks) > 0 && r.breaks[0] <= r.at {
			if f.n > 0 {
				return nil
			}
			r.breaks = r.breaks[:copy(r.breaks, r.breaks[1:])]
			f.Reset, r.origin = true, r.at
			continue
		}
		n := min(r.stage.n-r.from, int(end-r.at))
		if len(r.breaks) > 0 {
			n = min(n, int(r.breaks[0]-r.at))
		}
		if r.counts {
			copy(f.counts[f.n*r.info.Channels:], r.stage.counts[r.from*r.info.Channels:(r.from+n)*r.info.Channels])
		}
		for c := range f.volts {
			copy(f.volts[c][f.n:], r.stage.volts[c][r.from:r.from+n])
		}
		r.from, f.n, r.at = r.from+n, f.n+n, r.at+int64(n)
		if f.Arrived = r.stage.Arrived; r.at == end {
			return nil
		}
	}
}

// take reads up to so many samples to the stage, which is empty.
func (r *ring) take(n int) (err error) {
	s := r.stage
	r.from, s.n = 0, 0
	if r.counts {
		s.n, err = r.src.ReadInt16(s.counts[:n*r.info.Channels])
	} else {
		for c := range r.remaining {
			r.remaining[c] = s.volts[c][:n]
		}
		s.n, err = r.src.ReadPlanar(r.remaining)
	}
	if err != nil {
		return err
	}
	s.marks = r.marks.TakeMarks(s.marks[:0])
	if r.live == nil {
		return nil
	}
	s.Arrived = r.live.Arrived()
	gaps := r.live.Lost()
	for _, g := range gaps[r.known:] {
		if g.Samples == 0 {
			r.breaks = append(r.breaks, max(g.At, r.at))
		} else {
			for c := range r.info.Channels {
				s.marks = append(s.marks, recording.Mark{Channel: c, Start: max(0, g.At-g.Samples), Stop: g.At})
			}
		}
	}
	r.known = len(gaps)
	return nil
}
