package multitone

import (
	"math"
	"math/cmplx"
)

// Frame holds the phasors of one window of samples. Index tone·Channels +
// channel; a Bank overwrites the frame it hands out at its next one.
type Frame struct {
	Start, Stop int64 // first sample and the one behind the last
	// Shift moves the frame's time from the middle of Start and Stop [samples]:
	// a low-pass weighs the past unevenly.
	Shift     float64
	Channels  int
	Hz        []float64    // frequency of each tone in the ADC's clock
	Phasor    []complex128 // peak [V] at the window's centre, relative to the tone's phase there
	Variance  []float64    // of each component of the phasor [V²]
	Reference []complex128 // raw phasor of each tone on its reference channel, 0 without one
	// Bend says how far phasors bend inside the window against their tone's
	// reference, which bends where the clock drifts or the current wanders: the
	// squared curvature of each, in units of its variance, summed over all tones and
	// all channels that are no reference. It is chi-square distributed with BendDOF
	// degrees of freedom where nothing moves.
	Bend    float64
	BendDOF int
	// Pull is by how much each squared curvature exceeds its noise [V²]: what the
	// phasor, a weighted mean over the window, may miss of its value at the
	// centre, all of it in one component where a real coupling changes; 0 where no
	// bend is measured.
	Pull []float64

	bent     []complex128     // curvatures [V] of raw phasors, before their variance is known
	remnants map[int]*remnant // of the channels of which samples are left out; nil: of none
}

// Time is the window's centre [s] at the given sample rate [Hz]; behind a
// low-pass, the time that its group delay leads back to.
func (f *Frame) Time(sampleRate float64) float64 {
	return (float64(f.Start+f.Stop-1)/2 + f.Shift) / sampleRate
}

// Duration is the window's length [s] at the given sample rate [Hz].
func (f *Frame) Duration(sampleRate float64) float64 {
	return float64(f.Stop-f.Start) / sampleRate
}

// CopyTo makes dst equal to f, in dst's own memory.
func (f *Frame) CopyTo(dst *Frame) {
	hz, phasor, variance, reference, pull, bent := dst.Hz, dst.Phasor, dst.Variance, dst.Reference, dst.Pull, dst.bent
	*dst = *f
	dst.Hz = append(hz[:0], f.Hz...)
	dst.Phasor = append(phasor[:0], f.Phasor...)
	dst.Variance = append(variance[:0], f.Variance...)
	dst.Reference = append(reference[:0], f.Reference...)
	dst.Pull = append(pull[:0], f.Pull...)
	dst.bent = append(bent[:0], f.bent...)
	dst.remnants = nil // a frame that is handed out has its variances
}

// At returns the phasor of a tone on a channel and the variance of each of its
// components.
func (f *Frame) At(tone, channel int) (complex128, float64) {
	i := tone*f.Channels + channel
	return f.Phasor[i], f.Variance[i]
}

// refer turns raw phasors, relative to the time t [s], to the phase of each tone's
// reference there; without a reference to what it has turned since the recording's
// first sample along its course.
func (f *Frame) refer(c *Config, t float64) {
	for k, tone := range c.Tones {
		f.Hz[k] = tone.Hz
		row := f.Phasor[k*f.Channels : (k+1)*f.Channels]
		var turn complex128
		var size float64
		channel, referred := tone.Reference.Channel()
		if !referred {
			f.Reference[k] = 0
			turn = unit(-cycles(c.turned(k, t)))
		} else {
			f.Reference[k] = row[channel]
			size = magnitude(row[channel])
			turn = 1
			if size > 0 {
				turn = complex(real(row[channel])/size, -imag(row[channel])/size)
			}
		}
		for c := range row {
			row[c] *= turn
		}
		if referred {
			// exact by definition; the product leaves a rounding error
			row[channel] = complex(size, 0)
		}
	}
}

// magnitude is cmplx.Abs, faster where no square leaves the range of numbers.
func magnitude(z complex128) float64 {
	if power := abs2(z); power > 1e-280 && power < 1e280 {
		return math.Sqrt(power)
	}
	return cmplx.Abs(z)
}

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
