package multitone

import (
	"math"
	"slices"

	lowpass "tonepose/multitone/window"
)

// engine mixes and filters interleaved samples.
type engine interface {
	// floats and counts take samples and return the raw rows that fall due: peak
	// values in units of the samples, each relative to its tone's phase lag
	// samples before the row's last one. The next call overwrites them.
	floats(x []float64) rawRows
	counts(x []int16) rawRows
	// inVolts tells the size [V] of a unit of each channel's samples, before any.
	inVolts(scale []float64)
	// lags lists the lags that rows may have.
	lags() []float64
	// tune sets the tones' angular frequencies [rad/sample] from the next sample
	// that is not processed yet; phases go on.
	tune(omega []float64)
}

func feedEngine[S sample](e engine, x []S) rawRows {
	if x, ok := any(x).([]int16); ok {
		return e.counts(x)
	}
	return e.floats(any(x).([]float64))
}

// rawRows are rows of phasors: that of tone k and channel c in row r stands at
// r·stride + offset[k] + c·step; its lag is number firstLag + r·lagStep.
type rawRows struct {
	values            []complex128
	size, stride      int
	offset            []int
	step              int
	lag               []float64 // that rows may have
	firstLag, lagStep int       // numbers of these
	volts             []float64 // of a unit of each channel's values
	decay             []float64 // what the rows of each lag are to be multiplied by; nil: 1
}

// plainRows are rows of tones × channels without a lag.
func plainRows(c *Config) rawRows {
	n := len(c.Tones) * c.Channels
	r := rawRows{volts: ones(c.Channels), size: n, stride: n, step: 1, lag: []float64{0}}
	for k := range c.Tones {
		r.offset = append(r.offset, k*c.Channels)
	}
	return r
}

func (r *rawRows) lags() []float64 { return r.lag }

func (r *rawRows) inVolts(scale []float64) { r.volts = scale }

func ones(n int) []float64 { return slices.Repeat([]float64{1}, n) }

// newEngine chooses: blocks for a cascade or a Butterworth, if they fit between its
// outputs, else the filter itself.
func newEngine(c *Config, l *lowpass.LowPass, a Averaging) engine {
	if e := newBlocks(c, l, a); e != nil {
		return e
	}
	if e := newStream(c, l, a); e != nil {
		return e
	}
	return newMixer(c, l, a.Every)
}

// mixer is the engine of any low-pass: one running filter a tone and channel.
type mixer struct {
	channels int
	every    int
	taken    int // samples since the last row
	omega    []float64
	phase    []complex128 // of each oscillator at the next sample, conjugate
	filters  []*lowpass.Filter
	tone     []complex128 // an oscillator over the samples fed
	mixed    []complex128
	out      []complex128
	widened  []float64
	rawRows
}

func newMixer(c *Config, l *lowpass.LowPass, every int) *mixer {
	m := &mixer{channels: c.Channels, every: every, rawRows: plainRows(c)}
	m.filters = make([]*lowpass.Filter, len(c.Tones)*c.Channels)
	for i := range m.filters {
		m.filters[i] = l.NewFilter(every)
	}
	m.phase = slices.Repeat([]complex128{1}, len(c.Tones))
	m.tone, m.mixed = make([]complex128, continuousSamples), make([]complex128, continuousSamples)
	m.out = make([]complex128, continuousSamples)
	return m
}

func (m *mixer) tune(omega []float64) { m.omega = omega }

func (m *mixer) counts(x []int16) rawRows {
	m.widened = m.widened[:0]
	for _, v := range x {
		m.widened = append(m.widened, float64(v))
	}
	return m.floats(m.widened)
}

func (m *mixer) floats(x []float64) rawRows {
	n := len(x) / m.channels
	count := m.filters[0].Outputs(n)
	m.values = slices.Grow(m.values[:0], count*m.size)[:count*m.size]
	for k, w := range m.omega {
		m.spin(k, w, n)
		for c := range m.channels {
			at := c
			for i, o := range m.tone[:n] {
				v := x[at]
				at += m.channels
				m.mixed[i] = complex(v*real(o), v*imag(o))
			}
			m.filters[k*m.channels+c].Process(m.out[:count], m.mixed[:n])
			for r, v := range m.out[:count] {
				// to the oscillator's phase at the row's last sample: half of its
				// conjugate, conjugated
				o := m.tone[m.every-m.taken-1+r*m.every]
				m.values[r*m.size+k*m.channels+c] = v * complex(real(o)/2, -imag(o)/2)
			}
		}
	}
	m.taken = (m.taken + n) % m.every
	return m.rawRows
}

// spin fills the conjugate oscillator, 2·exp(−jφ), over n samples by rotations
// that start anew, exactly, every 32 samples.
func (m *mixer) spin(k int, w float64, n int) {
	s, c := math.Sincos(w)
	step := complex(c, -s)
	var now complex128
	for i := range n {
		if i%32 == 0 {
			now = 2 * m.phase[k] * unit(-cycles(w*float64(i)/(2*math.Pi)))
		}
		m.tone[i] = now
		now *= step
	}
	next := m.phase[k] * unit(-cycles(w*float64(n)/(2*math.Pi)))
	size := math.Hypot(real(next), imag(next))
	m.phase[k] = complex(real(next)/size, imag(next)/size)
}
