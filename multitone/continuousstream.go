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
	rows            rawRows
	taken           int // samples since the last row
	lag             []float64
}

// newStream returns nil for other low-passes.
func newStream(c *Config, l *lowpass.LowPass, a Averaging) *stream {
	spec := l.Spec()
	if spec.Kind != lowpass.Cascade {
		return nil
	}
	e := &stream{channels: c.Channels, every: a.Every}
	e.kernel = kernel.NewStream(spec.Order, -math.Expm1(-1/(l.TimeConstantS()*c.SampleRate)), len(c.Tones), ones(c.Channels))
	e.rows = rawRows{volts: ones(c.Channels), size: e.kernel.Size(), stride: e.kernel.Size() * e.every, step: 1, lagStep: e.every}
	for k := range c.Tones {
		e.rows.place = append(e.rows.place, k*c.Channels)
	}
	for u := range kernel.Longest {
		e.lag = append(e.lag, float64(u))
		e.rows.decay = append(e.rows.decay, e.kernel.Decay(u))
	}
	e.rows.values = make([]complex128, kernel.Longest*e.kernel.Size())
	return e
}

// inVolts: the rows are in volts already.
func (e *stream) inVolts(scale []float64) { e.kernel.Scale(scale) }

func (e *stream) most() int { return kernel.Longest }

func (e *stream) lags() []float64 { return e.lag }

func (e *stream) tune(omega []float64) error {
	e.kernel.Tune(omega)
	e.kernel.ReferTo(nil)
	return nil
}

func (e *stream) floats(x []float64) rawRows {
	e.kernel.Floats(e.rows.values[:cap(e.rows.values)], x)
	return e.due(len(x) / e.channels)
}

func (e *stream) counts(x []int16) rawRows {
	e.kernel.Counts(e.rows.values[:cap(e.rows.values)], x)
	return e.due(len(x) / e.channels)
}

// due picks the rows that fall due among n outputs.
func (e *stream) due(n int) rawRows {
	first := e.every - e.taken - 1
	e.taken = (e.taken + n) % e.every
	rows := e.rows
	rows.firstLag = first
	if first >= n {
		rows.values = nil
		return rows
	}
	rows.values = e.rows.values[first*rows.size : n*rows.size]
	return rows
}
