package pipeline

import (
	"context"
	"errors"
	"io"

	"tonepose/multitone"
	"tonepose/multitone/recording"
)

// What is read at a time, and how many blocks may wait: reading goes ahead of
// measuring on its own goroutine, in bounded memory.
const (
	blockValues = 96 << 10 // samples times channels
	blockMax    = 8192     // samples
	blocksAhead = 8
)

// blockSamples is how many samples of every channel are read at a time.
func blockSamples(channels int) int { return min(max(blockValues/channels, 64), blockMax) }

// blocks reads a recording from its start to its end, in volts, channel by
// channel.
func blocks(ctx context.Context, r *recording.Reader, use func(x [][]float64, first int64) error) error {
	channels := r.Info().Channels
	return readAhead(ctx, r, func() [][]float64 {
		b := make([][]float64, channels)
		for c := range b {
			b[c] = make([]float64, blockSamples(channels))
		}
		return b
	}, r.ReadPlanar, func(b [][]float64, n int, first int64) error {
		view := make([][]float64, channels)
		for c := range view {
			view[c] = b[c][:n]
		}
		return use(view, first)
	})
}

// counts reads a recording of 16-bit counts, all channels of a sample side by
// side.
func counts(ctx context.Context, r *recording.Reader, use func(x []int16, first int64) error) error {
	channels := r.Info().Channels
	return readAhead(ctx, r, func() []int16 {
		return make([]int16, blockSamples(channels)*channels)
	}, r.ReadInt16, func(b []int16, n int, first int64) error {
		return use(b[:n*channels], first)
	})
}

// readAhead reads blocks on a goroutine of its own, which has ended when
// readAhead returns.
func readAhead[B any](ctx context.Context, r *recording.Reader, fresh func() B, read func(B) (int, error), use func(b B, n int, first int64) error) error {
	if err := r.Rewind(); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	type filled struct {
		block B
		n     int
		err   error
	}
	free, full := make(chan B, blocksAhead), make(chan filled, blocksAhead)
	for range blocksAhead {
		free <- fresh()
	}
	go func() {
		defer close(full) // the last to happen: no one reads any more
		for {
			select {
			case <-ctx.Done():
				return
			case b := <-free:
				n, err := read(b)
				full <- filled{b, n, err} // never blocks: there are no more blocks than places
				if err != nil {
					return
				}
			}
		}
	}()
	defer func() {
		cancel()
		for range full {
		}
	}()
	var first int64
	for f := range full {
		if err := ctx.Err(); err != nil {
			return err
		}
		if errors.Is(f.err, io.EOF) {
			return nil
		}
		if f.err != nil {
			return f.err
		}
		if err := use(f.block, f.n, first); err != nil {
			return err
		}
		first += int64(f.n)
		free <- f.block
	}
	return ctx.Err()
}

// frames lets frames be used, in order, beside the measuring of the next.
type frames struct {
	free, full chan *multitone.Frame
	failed     chan struct{} // closed when use has failed
	done       chan struct{}
	err        error // of use; valid when failed or done is closed
}

// phasorsAhead is how many phasors may wait in frames: enough to go on measuring
// while a page of the table is compressed, in some 2 MB.
const phasorsAhead = 48 << 10

// newFrames lets frames of so many phasors wait for use.
func newFrames(phasors int, use measured) *frames {
	ahead := min(max(phasorsAhead/max(phasors, 1), 8), 512)
	s := &frames{
		free: make(chan *multitone.Frame, ahead), full: make(chan *multitone.Frame, ahead),
		failed: make(chan struct{}), done: make(chan struct{}),
	}
	for range ahead {
		s.free <- new(multitone.Frame)
	}
	go func() {
		defer close(s.done)
		for f := range s.full {
			if s.err == nil {
				if s.err = use(f, nil); s.err != nil {
					close(s.failed)
				}
			}
			s.free <- f
		}
	}()
	return s
}

// emit hands over a copy of f; after use has failed it returns that error.
func (s *frames) emit(f *multitone.Frame) error {
	select {
	case <-s.failed:
		return s.err
	case mine := <-s.free:
		f.CopyTo(mine)
		s.full <- mine // never blocks
		return nil
	}
}

// wait ends the goroutine and returns the error of use.
func (s *frames) wait() error {
	close(s.full)
	<-s.done
	return s.err
}
