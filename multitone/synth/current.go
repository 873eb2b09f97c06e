package synth

import (
	"math"
	"math/cmplx"
)

// currents holds one chunk of every tone's analytic current I [A] and dI/dt
// [A/s], delayed by one delay; channels of equal delay share it.
type currents struct {
	delay float64 // [s]
	tones []current
}

type current struct{ re, im, dre, dim []float64 }

func newCurrents(delay float64, tones int) *currents {
	c := &currents{delay: delay, tones: make([]current, tones)}
	for k := range c.tones {
		b := make([]float64, 4*chunk)
		c.tones[k] = current{b[:chunk], b[chunk : 2*chunk], b[2*chunk : 3*chunk], b[3*chunk:]}
	}
	return c
}

// fill computes n samples from sample first on.
//
// The phase φ(t) = φ0 + 2π·Hz·((1+ε)·t + ½·δ·t²), and what the clock is ahead beside
// that, is taken exactly at the chunk's first sample; within it two rotations follow
// the quadratic phase, so that rounding grows over one chunk only (256 · 2⁻⁵³ of
// the phasor).
func (c *currents) fill(cfg *Config, first int64, n int) {
	step := 1 / cfg.Rate
	t0 := float64(first)/cfg.Rate - c.delay
	drift := cfg.ClockDrift * 1e-6
	ahead, gains := drift*t0*t0/2, drift*t0 // the clock, at the first sample
	if cfg.Clock != nil {
		a, rate := cfg.Clock(t0)
		ahead, gains = ahead+a, gains+rate
		_, later := cfg.Clock(t0 + chunk*step)
		drift += (later - rate) / (chunk * step)
	}
	for k := range c.tones {
		tone := &cfg.Tones[k]
		offset := (cfg.ClockPPM + tone.OffsetPPM) * 1e-6
		// Whole cycles are dropped from the nominal part first: it is the large one.
		cycles := fraction(tone.Hz*t0) + tone.Hz*(offset*t0+ahead)
		z := cmplx.Rect(1, 2*math.Pi*fraction(cycles)+tone.Phase)
		w := cmplx.Rect(1, 2*math.Pi*tone.Hz*step*(1+offset+gains+drift*step/2))
		chirp := cmplx.Rect(1, 2*math.Pi*tone.Hz*step*step*drift)
		out := c.tones[k]
		for i := range n {
			t := t0 + float64(i)*step
			factor, rate := tone.Wander.at(t)
			a, da := tone.Current*factor, tone.Current*rate
			omega := 2 * math.Pi * tone.Hz * (1 + offset + gains + drift*(t-t0))
			re, im := real(z), imag(z)
			out.re[i], out.im[i] = a*re, a*im
			out.dre[i], out.dim[i] = da*re-omega*a*im, da*im+omega*a*re
			z *= w
			w *= chirp
		}
	}
}
