package synth

import (
	"math"
	"math/cmplx"

	"tonepose/multitone/internal/kernel"
)

// rotation is e^{j·angle} of the first samples after a chunk's first.
type rotation struct{ cos, sin [chunk]float64 }

func newRotation(cyclesPerSample float64) *rotation {
	r := new(rotation)
	for i := range r.cos {
		r.sin[i], r.cos[i] = math.Sincos(2 * math.Pi * fraction(float64(i)*cyclesPerSample))
	}
	return r
}

func (r *rotation) at(i int) complex128 { return complex(r.cos[i], r.sin[i]) }

// rotations are those of one tone, the same in all chunks.
type rotations struct {
	tone   *rotation // at its frequency of time zero, the clock keeping still
	wander *rotation // of the amplitude; nil: it keeps still
}

func newRotations(cfg *Config) []rotations {
	list := make([]rotations, len(cfg.Tones))
	for k := range list {
		t := &cfg.Tones[k]
		list[k].tone = newRotation(t.Hz / cfg.Rate * (1 + cfg.offset(t)))
		if w := t.Wander; w.Relative != 0 {
			list[k].wander = newRotation(w.Hz / cfg.Rate)
		}
	}
	return list
}

// offset is the relative one of a tone's frequency at time zero.
func (c *Config) offset(t *Tone) float64 { return (c.ClockPPM + t.OffsetPPM) * 1e-6 }

// currents holds one stretch of every tone's analytic current I [A] and dI/dt
// [A/s], delayed by one delay; channels of equal delay share it.
type currents struct {
	delay float64 // [s]
	tones []current
}

type current struct{ re, im, dre, dim []float64 }

func newCurrents(delay float64, tones int) *currents {
	c := &currents{delay: delay, tones: make([]current, tones)}
	for k := range c.tones {
		b := make([]float64, 4*stretch)
		c.tones[k] = current{b[:stretch], b[stretch : 2*stretch], b[2*stretch : 3*stretch], b[3*stretch:]}
	}
	return c
}

// fill computes the samples from at to end of a stretch that starts at sample first:
// those of one chunk.
//
// The phase φ(t) = φ0 + 2π·Hz·((1+ε)·t + ½·δ·t²), and what the clock is ahead beside
// that, is taken exactly at the first of them. From there it goes on by the
// tone's rotation; where the clock does not keep still, two more follow its quadratic
// phase, so that their rounding grows over one chunk only (256 · 2⁻⁵³ of the phasor).
func (c *currents) fill(cfg *Config, turns []rotations, first int64, at, end int) {
	step := 1 / cfg.Rate
	t0 := float64(first+int64(at))/cfg.Rate - c.delay
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
		offset := cfg.offset(tone)
		// Whole cycles are dropped from the nominal part first: it is the large one.
		cycles := fraction(tone.Hz*t0) + tone.Hz*(offset*t0+ahead)
		sin, cos := math.Sincos(2*math.Pi*fraction(cycles) + tone.Phase)
		z := complex(tone.Current*cos, tone.Current*sin)
		w := cmplx.Rect(1, 2*math.Pi*tone.Hz*step*(gains+drift*step/2))
		chirp := cmplx.Rect(1, 2*math.Pi*tone.Hz*step*step*drift)
		moves := w != 1 || chirp != 1
		omega, bend := 2*math.Pi*tone.Hz*(1+offset+gains), 2*math.Pi*tone.Hz*drift*step
		out, turn := c.tones[k], turns[k].tone
		re, im, dre, dim := out.re[at:end], out.im[at:end], out.dre[at:end], out.dim[at:end]
		if moves {
			for i := range re {
				y := z * turn.at(i)
				z *= w
				w *= chirp
				omega := omega + bend*float64(i)
				re[i], im[i] = real(y), imag(y)
				dre[i], dim[i] = -omega*im[i], omega*re[i]
			}
		} else {
			kernel.Rotate(re, im, dre, dim, turn.cos[:], turn.sin[:], z, omega)
		}
		if turn := turns[k].wander; turn != nil {
			v := tone.Wander
			z := cmplx.Rect(v.Relative, 2*math.Pi*fraction(v.Hz*t0)+v.Phase)
			for i := range re {
				y := z * turn.at(i)
				factor, rate := 1+imag(y), 2*math.Pi*v.Hz*real(y)
				dre[i], dim[i] = factor*dre[i]+rate*re[i], factor*dim[i]+rate*im[i]
				re[i], im[i] = factor*re[i], factor*im[i]
			}
		}
	}
}
