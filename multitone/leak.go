package multitone

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	lowpass "tonepose/multitone/window"
)

// Leak is what a low-pass lets through of the other tones, of each tone's image at
// twice its frequency, of lines that are measured like tones and of the channels'
// offsets, and takes it off: their phasors are known, and so is the low-pass. Phasors
// R at a frame's time become, for amplitudes that keep still over the memory of a
// low-pass H with group delay d,
//
//	R_k + Σ_j R_j·e^{−j(ω_k−ω_j)d}·H*(ω_k−ω_j) + Σ_j R_j*·e^{−j(ω_k+ω_j)d}·H*(ω_k+ω_j),
//
// the first sum without j = k. An offset is a phasor of 0 Hz: it adds itself by both
// sums.
type Leak struct {
	tones   []Tone       // and behind them lines
	kept    int          // how many are tones
	offset  []float64    // of each channel [V]
	passed  []complex128 // of an offset to each tone
	lowPass *lowpass.LowPass
	hz      []float64  // for which inverse stands
	inverse *mat.Dense // of the above, in real and imaginary parts
	raw     []float64
	sound   []float64
	turns   []complex128 // from a frame's phasors to those at its time
}

// NewLeak prepares for frames of a Continuous behind a low-pass, with the given tones,
// Averaging.Lines [Hz] and offsets of the channels [V].
func NewLeak(p *lowpass.LowPass, tones []Tone, lines, offset []float64) *Leak {
	l := &Leak{tones: slices.Clone(tones), kept: len(tones), offset: offset, passed: make([]complex128, len(tones)+len(lines)), lowPass: p}
	for _, hz := range lines {
		l.tones = append(l.tones, Tone{Hz: hz})
	}
	n := 2 * len(l.tones)
	l.raw, l.sound, l.turns = make([]float64, n), make([]float64, n), make([]complex128, len(l.tones))
	return l
}

// tune prepares for tones at the frequencies of a frame [Hz].
func (l *Leak) tune(hz []float64) error {
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
		l.passed[k] = 2 * through(hz[k])
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

// Remove takes the leak off a frame's phasors, and from the frame what is no tone. Those of tones without a reference are
// relative to a course.
func (l *Leak) Remove(f *Frame, sampleRate float64, course Course) error {
	if err := l.tune(f.Hz); err != nil {
		return err
	}
	t := f.Time(sampleRate)
	for k, tone := range l.tones {
		if tone.Reference.None() {
			turns := f.Hz[k] * t // of a line, which keeps still
			if k < l.kept {
				turns = course.Cycles(k, t)
			}
			l.turns[k] = cmplx.Rect(1, 2*math.Pi*math.Mod(turns, 1))
		} else if size := cmplx.Abs(f.Reference[k]); size > 0 {
			l.turns[k] = f.Reference[k] / complex(size, 0)
		} else {
			l.turns[k] = 1
		}
	}
	raw, sound := mat.NewVecDense(len(l.raw), l.raw), mat.NewVecDense(len(l.sound), l.sound)
	for c := range f.Channels {
		for k, turn := range l.turns {
			v := f.Phasor[k*f.Channels+c]*turn - complex(l.offset[c], 0)*l.passed[k]
			l.raw[2*k], l.raw[2*k+1] = real(v), imag(v)
		}
		sound.MulVec(l.inverse, raw)
		for k, turn := range l.turns {
			f.Phasor[k*f.Channels+c] = complex(l.sound[2*k], l.sound[2*k+1]) * cmplx.Conj(turn)
		}
	}
	n := l.kept
	f.Hz, f.Reference = f.Hz[:n], f.Reference[:n]
	f.Phasor, f.Variance, f.Pull = f.Phasor[:n*f.Channels], f.Variance[:n*f.Channels], f.Pull[:n*f.Channels]
	// The references' own phases have moved by as much.
	for k, tone := range l.tones[:n] {
		channel, ok := tone.Reference.Channel()
		if !ok {
			continue
		}
		at := f.Phasor[k*f.Channels+channel]
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
