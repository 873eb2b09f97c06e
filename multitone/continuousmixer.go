package multitone

import (
	"math"

	lowpass "tonepose/multitone/window"
)

// mixer is the engine of any low-pass: one running filter a tone and channel.
type mixer struct {
	channels, every int
	omega           []float64
	phase           []complex128 // of each oscillator at the next sample, conjugate
	filters         []*lowpass.Filter
	tone            []complex128 // an oscillator over the samples fed
	mixed           []complex128
	out, rows       []complex128
	taken           int64
}

// mixerSamples bounds the samples that are mixed at a time.
const mixerSamples = 1024

func newEngine(c *Config, l *lowpass.LowPass, every int) engine {
	m := &mixer{channels: c.Channels, every: every}
	m.filters = make([]*lowpass.Filter, len(c.Tones)*c.Channels)
	for i := range m.filters {
		m.filters[i] = l.NewFilter(every)
	}
	m.phase = make([]complex128, len(c.Tones))
	for k := range m.phase {
		m.phase[k] = 1
	}
	m.tone, m.mixed = make([]complex128, mixerSamples), make([]complex128, mixerSamples)
	m.out = make([]complex128, mixerSamples)
	return m
}

func (m *mixer) limit() int { return mixerSamples }

func (m *mixer) tune(omega []float64) { m.omega = omega }

func (m *mixer) feed(x [][]float64) []complex128 {
	n, tones := len(x[0]), len(m.omega)
	count := m.filters[0].Outputs(n)
	if need := count * tones * m.channels; cap(m.rows) < need {
		m.rows = make([]complex128, need)
	}
	rows := m.rows[:count*tones*m.channels]
	for k, w := range m.omega {
		m.spin(k, w, n)
		for c := range x {
			for i, v := range x[c] {
				m.mixed[i] = complex(v*real(m.tone[i]), v*imag(m.tone[i]))
			}
			m.filters[k*m.channels+c].Process(m.out[:count], m.mixed[:n])
			for r, v := range m.out[:count] {
				rows[(r*tones+k)*m.channels+c] = v
			}
		}
	}
	m.taken += int64(n)
	return rows
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
