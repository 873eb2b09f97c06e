package engine

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tonepose/multitone"
	"tonepose/multitone/window"
)

// leak is what a low-pass lets through of the other tones, and of each tone's image
// at twice its frequency, and takes it off: their phasors are known, and so is the
// low-pass. Phasors R at a frame's time become, for amplitudes that keep still over
// the memory of a low-pass H with group delay d,
//
//	R_k + Σ_j R_j·e^{−j(ω_k−ω_j)d}·H*(ω_k−ω_j) + Σ_j R_j*·e^{−j(ω_k+ω_j)d}·H*(ω_k+ω_j),
//
// the first sum without j = k.
type leak struct {
	tones   []multitone.Tone
	lowPass *window.LowPass
	hz      []float64  // for which inverse stands
	inverse *mat.Dense // of the above, in real and imaginary parts
	raw     []float64
	sound   []float64
	turns   []complex128 // from a frame's phasors to those at its time
}

func newLeak(p *window.LowPass, tones []multitone.Tone) *leak {
	n := 2 * len(tones)
	return &leak{tones: tones, lowPass: p, raw: make([]float64, n), sound: make([]float64, n), turns: make([]complex128, len(tones))}
}

// tune prepares for tones at the frequencies of a frame [Hz].
func (l *leak) tune(hz []float64) error {
	if slices.Equal(l.hz, hz) {
		return nil
	}
	l.hz = append(l.hz[:0], hz...)
	n := len(hz)
	through := func(f float64) complex128 {
		return cmplx.Rect(1, -2*math.Pi*math.Mod(f*l.lowPass.GroupDelayS(), 1)) * cmplx.Conj(l.lowPass.Response(f))
	}
	a := mat.NewDense(2*n, 2*n, nil)
	for k := range n {
		for j := range n {
			direct, image := complex128(1), through(hz[k]+hz[j])
			if j != k {
				direct = through(hz[k] - hz[j])
			}
			a.Set(2*k, 2*j, real(direct)+real(image))
			a.Set(2*k, 2*j+1, -imag(direct)+imag(image))
			a.Set(2*k+1, 2*j, imag(direct)+imag(image))
			a.Set(2*k+1, 2*j+1, real(direct)-real(image))
		}
	}
	l.inverse = new(mat.Dense)
	return l.inverse.Inverse(a)
}

// remove takes the leak off a frame's phasors. Those of tones without a reference are
// relative to a course.
func (l *leak) remove(f *multitone.Frame, sampleRate float64, course multitone.Course) error {
	if err := l.tune(f.Hz); err != nil {
		return err
	}
	t := f.Time(sampleRate)
	for k, tone := range l.tones {
		if tone.Reference == multitone.NoReference {
			l.turns[k] = cmplx.Rect(1, 2*math.Pi*math.Mod(course.Cycles(k, t), 1))
		} else if size := cmplx.Abs(f.Reference[k]); size > 0 {
			l.turns[k] = f.Reference[k] / complex(size, 0)
		} else {
			l.turns[k] = 1
		}
	}
	raw, sound := mat.NewVecDense(len(l.raw), l.raw), mat.NewVecDense(len(l.sound), l.sound)
	for c := range f.Channels {
		for k, turn := range l.turns {
			v := f.Phasor[k*f.Channels+c] * turn
			l.raw[2*k], l.raw[2*k+1] = real(v), imag(v)
		}
		sound.MulVec(l.inverse, raw)
		for k, turn := range l.turns {
			f.Phasor[k*f.Channels+c] = complex(l.sound[2*k], l.sound[2*k+1]) * cmplx.Conj(turn)
		}
	}
	// The references' own phases have moved by as much.
	for k, tone := range l.tones {
		if tone.Reference == multitone.NoReference {
			continue
		}
		at := f.Phasor[k*f.Channels+tone.Reference]
		f.Reference[k] = at * l.turns[k]
		size := cmplx.Abs(at)
		if size == 0 {
			continue
		}
		back := cmplx.Conj(at) / complex(size, 0)
		for c := range f.Channels {
			f.Phasor[k*f.Channels+c] *= back
		}
	}
	return nil
}
