package multitone

import (
	"math"

	"tonepose/multitone/internal/kernel"
	lowpass "tonepose/multitone/window"
)

// stream is the engine of a cascade whose outputs are too near to each other
// for blocks: the filter itself, all outputs computed.
type stream struct {
	channels, every int
	kernel          *kernel.Stream
	taken           int // samples since the last row
	rawRows
}

// newStream returns nil for other low-passes.
func newStream(c *Config, l *lowpass.LowPass, a Averaging) *stream {
	spec := l.Spec()
	if spec.Kind != lowpass.Cascade {
		return nil
	}
	e := &stream{channels: c.Channels, every: a.Every, rawRows: plainRows(c)}
	e.kernel = kernel.NewStream(spec.Order, -math.Expm1(-1/(l.TimeConstantS()*c.SampleRate)), len(c.Tones), ones(c.Channels))
	e.stride, e.lagStep, e.lag = e.size*e.every, e.every, nil
	for u := range kernel.Longest {
		e.lag = append(e.lag, float64(u))
		e.decay = append(e.decay, e.kernel.Decay(u))
	}
	e.values = make([]complex128, kernel.Longest*e.size)
	return e
}

// inVolts: the rows are in volts already.
func (e *stream) inVolts(scale []float64) { e.kernel.Scale(scale) }

func (e *stream) tune(omega []float64) {
	e.kernel.Tune(omega)
	e.kernel.ReferTo(nil)
}

func (e *stream) floats(x []float64) rawRows {
	e.kernel.Floats(e.values, x)
	return e.due(len(x) / e.channels)
}

func (e *stream) counts(x []int16) rawRows {
	e.kernel.Counts(e.values, x)
	return e.due(len(x) / e.channels)
}

// due picks the rows that fall due among n outputs.
func (e *stream) due(n int) rawRows {
	first := e.every - e.taken - 1
	e.taken = (e.taken + n) % e.every
	rows := e.rawRows
	rows.firstLag = first
	rows.values = e.values[min(first, n)*e.size : n*e.size]
	return rows
}
