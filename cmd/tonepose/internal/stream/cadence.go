package stream

import (
	"math"

	"tonepose/multitone/recording"
)

// cadence says where the blocks of a live stream end, counted from its first sample or
// from where time last broke: where windows end, so that no sample of a complete window
// waits for a block. What is found block by block depends on no pace of the source then.
type cadence struct {
	first, every int64 // ends lie at first + k·every
	parts        int64 // and at so many parts of that
}

const (
	// A block holds several samples for each unknown of what looks for bursts in it, but
	// makes nothing wait for longer than quickSeconds.
	quickSamples = 256
	quickSeconds = 2.5e-3
)

func newCadence(info recording.Info, w *Windows) cadence {
	quick := int64(max(1, min(quickSamples, quickSeconds*info.SampleRate)))
	most := int64(blockSamples(info.Channels))
	if w.Length == 0 {
		return cadence{every: min(quick, most), parts: 1}
	}
	length, hop := int64(math.Round(w.Length*info.SampleRate)), max(1, int64(math.Round(w.Hop*info.SampleRate)))
	every := (quick + hop - 1) / hop * hop
	return cadence{first: length % every, every: every, parts: (every + most - 1) / most}
}

// next is the first end after a sample.
func (c cadence) next(at int64) int64 {
	k := (at - c.first) / c.every
	if at < c.first {
		k--
	}
	start := c.first + k*c.every
	part := (at-start)*c.parts/c.every + 1
	for part*c.every/c.parts <= at-start {
		part++
	}
	return start + part*c.every/c.parts
}

// longest is how many samples a block holds at most.
func (c cadence) longest() int64 { return (c.every + c.parts - 1) / c.parts }
