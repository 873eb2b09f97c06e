// Package stream turns samples into frames: blocks in, phasors out, with what is
// doubtful about them. It opens no file, writes no table and prints nothing.
//
// An Observer learns from the samples what measuring needs to know: the tones'
// real frequencies, the mains, foreign lines, the faults. A file is a stream that the
// Observer has seen to its end before anything is measured; of a live stream it knows
// what has passed.
//
//	Source → Block → Observer → Survey
//	              ↘ Measure → Measured
package stream

import (
	"context"
	"errors"
	"io"
	"time"

	"tonepose/multitone"
	"tonepose/multitone/recording"
)

// Source hands out the samples of one stream in their order, as
// recording.Reader does.
type Source interface {
	Info() recording.Info
	// ReadPlanar and ReadInt16 fill dst with the next samples and return how many
	// of each channel; 0 and io.EOF at the end.
	ReadPlanar(dst [][]float64) (int, error)
	ReadInt16(dst []int16) (int, error)
	// Watch hands a Monitor the samples as they are stored.
	Watch(*recording.Monitor)
}

// Rewinder is a Source that can be read again from its first sample.
type Rewinder interface {
	Source
	Rewind() error
}

// Block is a stretch of successive samples of all channels.
type Block struct {
	First  int64       // its first sample
	Counts []int16     // raw counts, all channels of a sample side by side; nil: the block holds Volts
	Volts  [][]float64 // by channel
	// Unsound are samples that tell nothing of their channel's signal, by channel;
	// others stand in their place. Nil: none.
	Unsound [][]multitone.Span
	Breaks  []multitone.Span // where the time line breaks
	Arrived time.Time        // when its last sample came in; zero: not from a live source
	Reset   bool             // time broke before it, by an unknown amount
}

// samples is how many there are of each channel.
func (b *Block) samples(channels int) int {
	if b.Counts != nil {
		return len(b.Counts) / channels
	}
	return len(b.Volts[0])
}

// What is read at a time, and how many blocks may wait: reading goes ahead of
// measuring on its own goroutine, in bounded memory, and so little that what was read is
// still in the second cache.
const (
	blockValues = 96 << 10 // samples times channels
	blockMax    = 8192     // samples
	blocksAhead = 3
)

// blockSamples is how many samples of every channel are read at a time.
func blockSamples(channels int) int { return min(max(blockValues/channels, 64), blockMax) }

// Blocks reads a source to its end, from its start where it can be rewound, in
// volts or as 16-bit counts. The next call overwrites the block. Reading is on a
// goroutine of its own, which has ended when Blocks returns.
func Blocks(ctx context.Context, src Source, counts bool, use func(*Block) error) error {
	if r, ok := src.(Rewinder); ok {
		if err := r.Rewind(); err != nil {
			return err
		}
	}
	channels := src.Info().Channels
	size := blockSamples(channels)
	ctx, cancel := context.WithCancel(ctx)
	type filled struct {
		buffer Block
		n      int
		err    error
	}
	free, full := make(chan Block, blocksAhead), make(chan filled, blocksAhead)
	for range blocksAhead {
		var b Block
		if counts {
			b.Counts = make([]int16, size*channels)
		} else {
			b.Volts = planes(channels, size)
		}
		free <- b
	}
	go func() {
		defer close(full) // the last to happen: no one reads any more
		for {
			select {
			case <-ctx.Done():
				return
			case b := <-free:
				f := filled{buffer: b}
				if counts {
					f.n, f.err = src.ReadInt16(b.Counts)
				} else {
					f.n, f.err = src.ReadPlanar(b.Volts)
				}
				full <- f // never blocks: there are no more blocks than the channel holds
				if f.err != nil {
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
	view := Block{Volts: make([][]float64, channels)}
	if counts {
		view.Volts = nil
	}
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
		if counts {
			view.Counts = f.buffer.Counts[:f.n*channels]
		}
		for c := range view.Volts {
			view.Volts[c] = f.buffer.Volts[c][:f.n]
		}
		if err := use(&view); err != nil {
			return err
		}
		view.First += int64(f.n)
		free <- f.buffer
	}
	return ctx.Err()
}

func planes(channels, samples int) [][]float64 {
	x := make([][]float64, channels)
	for c := range x {
		x[c] = make([]float64, samples)
	}
	return x
}

// converter turns counts into volts, in memory of its own.
type converter struct {
	info         recording.Info
	buffer, view [][]float64
	wanted       []int // channels
}

// convertedTogether are samples of all channels that the nearest cache holds.
const convertedTogether = 256

// volts are the samples of the channels that are wanted; the others' are not to
// be used.
func (v *converter) volts(b *Block, wanted func(channel int) bool) [][]float64 {
	if b.Counts == nil {
		return b.Volts
	}
	channels := v.info.Channels
	n := len(b.Counts) / channels
	if v.buffer == nil || len(v.buffer[0]) < n {
		v.buffer, v.view = planes(channels, n), make([][]float64, channels)
	}
	v.wanted = v.wanted[:0]
	for c := range v.view {
		if v.view[c] = v.buffer[c][:n]; wanted(c) {
			v.wanted = append(v.wanted, c)
		}
	}
	for from := 0; from < n; from += convertedTogether {
		to := min(from+convertedTogether, n)
		for _, c := range v.wanted {
			inVolts(v.view[c][from:to], b.Counts[from*channels+c:], channels, v.info.Scale[c])
		}
	}
	return v.view
}

// inVolts converts every step-th of some counts.
func inVolts(x []float64, counts []int16, step int, scale float64) {
	at := 0
	for i := range x {
		x[i] = float64(counts[at]) * scale
		at += step
	}
}

// Progress receives how far a pass has come, in samples; nil is silent.
type Progress func(pass string, done, total int64)

// Report hands it on.
func (p Progress) Report(pass string, done, total int64) {
	if p != nil {
		p(pass, done, total)
	}
}
