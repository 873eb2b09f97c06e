// Package multitone measures several sinusoids on several channels at once: a
// bank of synchronous demodulators.
//
// A Bank cuts the samples into windows and gives a Frame for each; Intervals give
// one Frame for each stretch of any length. Either way all tones are
// estimated jointly by weighted least squares, together with the lines that
// disturb them (mains harmonics, slow drift), and the variance of every phasor
// comes from the noise measured beside its tone. Samples that are known to be bad
// weigh nothing (Bank.Omit); a Mender finds those that stand out of the noise. Continuous is the
// other way to average: behind a low-pass, a Frame as often as asked for.
//
//	tones := []multitone.Tone{{Name: "e1", Hz: 5125, Reference: multitone.OnChannel(1)}}
//	b, err := multitone.NewBank(multitone.Config{SampleRate: 50e3, Channels: 2, Tones: tones}, multitone.Framing{Length: 1000})
//	err = b.Write(samples, emit)	// as often as there are samples; calls emit for each window
//	err = b.Flush(emit)		// the windows that still wait for their noise
//
// Samples are volts, frequencies hertz in the ADC's clock. A phasor X is the peak [V] of
// x(t) = Re{X·exp(j2πft)} at the middle of its window, turned back by the phase of the tone's
// reference there; of a tone without a reference, by 2πf times the time since the first sample.
//
// The package opens no file and knows no coil: samples in, phasors out.
//
// A researcher builds on this package and on coupling, with recording for the
// samples, clock for the tones' real frequencies, sine for a tone that is not
// known, and synth for samples whose truth is. The packages frequencyplan,
// spectrum, stability and window serve the command: they export what it uses,
// and what a published check holds to its source.
package multitone

import (
	"fmt"
	"math"
)

// Reference says which channel carries the digitised drive of a tone. The zero
// value: none does.
type Reference struct {
	channel int
	known   bool
}

// OnChannel is a drive that is digitised on a channel, counted from 0.
func OnChannel(channel int) Reference { return Reference{channel, true} }

// Channel is the channel that carries the drive; ok is false where none does.
func (r Reference) Channel() (channel int, ok bool) { return r.channel, r.known }

// None tells that no channel carries the drive.
func (r Reference) None() bool { return !r.known }

// Tone is one sinusoid to be measured on every channel.
type Tone struct {
	Name      string
	Hz        float64   // frequency in the ADC's clock
	Reference Reference // OnChannel(n) where channel n digitises the drive
	// Pickups are the channels from which the clock is taken where no tone has a
	// reference, the same for all: each shows the tones with either sign, which may
	// change. Nil: none.
	Pickups []int
}

// Config says what a Bank or Intervals measure.
type Config struct {
	SampleRate float64 // [Hz]
	Channels   int
	Tones      []Tone
	// Lines are the frequencies [Hz] of other sinusoids, such as mains
	// harmonics, estimated jointly with the tones where the window resolves
	// them. Those nearer to a tone than two bins are left out.
	Lines []float64
	// Course is followed inside of windows that are long enough for the tones' phases
	// to leave those of constant frequencies, and tells the phases of tones without
	// a reference; nil: the frequencies are constant.
	Course Course
	// Foreign are lines of known power. Each is estimated jointly with the tones where
	// it would cost more to leave it; what is left of the others in a tone is part of
	// its variance.
	Foreign []Line
	// CountVolts is the size [V] of one count of Bank.WriteInt16, by channel;
	// nil: phasors are in counts.
	CountVolts []float64
}

func (c *Config) check() error {
	if !(c.SampleRate > 0) || math.IsInf(c.SampleRate, 0) {
		return fmt.Errorf("multitone: sample rate %g Hz: must be positive", c.SampleRate)
	}
	if c.Channels < 1 {
		return fmt.Errorf("multitone: %d channels: at least one is needed", c.Channels)
	}
	if c.CountVolts != nil && len(c.CountVolts) != c.Channels {
		return fmt.Errorf("multitone: %d sizes of a count for %d channels: give one a channel", len(c.CountVolts), c.Channels)
	}
	if len(c.Tones) == 0 {
		return fmt.Errorf("multitone: no tones")
	}
	for i, t := range c.Tones {
		if !(t.Hz > 0 && t.Hz < c.SampleRate/2) {
			return fmt.Errorf("multitone: tone %s at %g Hz: must lie between 0 and half the sample rate, %g Hz", t.Name, t.Hz, c.SampleRate/2)
		}
		if ch, ok := t.Reference.Channel(); ok && (ch < 0 || ch >= c.Channels) {
			return fmt.Errorf("multitone: tone %s: reference channel %d: there are %d channels", t.Name, ch, c.Channels)
		}
		for _, o := range c.Tones[:i] {
			if o.Hz == t.Hz {
				return fmt.Errorf("multitone: tones %s and %s are both at %g Hz", o.Name, t.Name, t.Hz)
			}
		}
	}
	return nil
}

// minSpacing is the smallest distance [Hz] between two tones, or between a
// tone and either end of the band.
func (c *Config) minSpacing() float64 {
	least := c.SampleRate / 2
	for i, t := range c.Tones {
		least = min(least, t.Hz, c.SampleRate/2-t.Hz)
		for _, o := range c.Tones[:i] {
			least = min(least, math.Abs(t.Hz-o.Hz))
		}
	}
	return least
}

// omegas are the tones' frequencies [rad/sample].
func (c *Config) omegas() []float64 {
	var list []float64
	for _, t := range c.Tones {
		list = append(list, c.omega(t.Hz))
	}
	return list
}

// omega converts a frequency [Hz] to [rad/sample].
func (c *Config) omega(hz float64) float64 { return 2 * math.Pi * hz / c.SampleRate }
