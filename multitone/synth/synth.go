// Package synth makes the samples that an ADC would see of a bench: driven
// tones picked up through given couplings M(t), reference channels, noise,
// mains hum, drift, quantising.
//
// Describe the bench in a Config, call New, and draw samples of any number with
// Generator.ReadPlanar. Memory is bounded whatever the length, and the samples
// do not depend on how many are drawn at a time. The same Config gives the same
// samples.
//
// Conventions: time zero is the first sample, in the ADC's clock. A tone's
// current is i(t) = Re{I(t)}, I(t) = A(t)·e^{jφ(t)}. Flux linkage is
// λ = Re{M(t)·I(t)}, and the coil's voltage v = −dλ/dt, so that a moving coil
// shows its motional EMF −(dM/dt)·i. All is in SI units: amperes peak, henry, volts, seconds.
package synth

import (
	"cmp"
	"fmt"
	"math"
)

// Tone is one driven emitter.
type Tone struct {
	Hz      float64 // nominal, in the generator's clock
	Current float64 // peak [A]
	Phase   float64 // [rad] at time zero
	// OffsetPPM is this tone's own offset of frequency beside Config.ClockPPM.
	OffsetPPM float64
	// Wander is a slow change of the current's amplitude.
	Wander Wander
}

// Wander multiplies an amplitude by 1 + Relative·sin(2π·Hz·t + Phase).
type Wander struct {
	Relative float64 // peak, dimensionless
	Hz       float64
	Phase    float64 // [rad]
}

// Channel is one column of the recording.
type Channel struct {
	// Gain and Delay [s] of a tone of phasor V: V·Gain·e^{−jω·Delay} is what
	// the ADC sees. The zero Gain stands for 1; a negative one inverts.
	Gain, Delay float64
	// Response, when not nil, holds one complex gain a tone and takes the
	// place of Gain and Delay.
	Response []complex128
	// Pickup says that Config.Couplings speak of this channel.
	Pickup bool
	// Transimpedance [Ω] is the voltage per ampere of each tone before gain and
	// delay: that of a current reference, or crosstalk on a pickup. Nil: none.
	Transimpedance []complex128

	// All below are at the ADC's input.

	Noise  Noise
	Mains  float64 // peak of the mains fundamental [V]
	Offset float64 // [V]
	Drift  float64 // of the offset [V/s]
	// Quantiser is skipped when its Bits are 0.
	Quantiser Quantiser
}

// Mains is hum: harmonic n has 1/n of the fundamental's amplitude and, on each
// channel, a random phase.
type Mains struct {
	Hz        float64 // real frequency, for example 50.02; 0: no hum
	Harmonics int     // the fundamental included; default 80
}

// Couplings fills the mutual inductances m [H] and their time derivatives dm
// [H/s] at time t [s] for pickup p (counting pickup channels only) and tone k at
// index p·K+k. It is called at rising multiples of Config.KnotStep, from just
// before time zero on to just beyond the last sample; between them M is the
// cubic with these values and slopes (continuous with its first derivative).
type Couplings func(t float64, m, dm []complex128) error

// Config describes a recording.
type Config struct {
	Rate     float64 // ADC samples a second and channel [Hz]
	Samples  int64   // length a channel; 0: without end
	Tones    []Tone
	Channels []Channel
	// Couplings is needed when a channel is a pickup.
	Couplings Couplings
	KnotStep  float64 // [s]; default 0.5 ms
	// A real tone has the frequency Hz·(1 + (ClockPPM + OffsetPPM +
	// ClockDrift·t)·10⁻⁶ + rate of Clock) in the ADC's clock.
	ClockPPM   float64
	ClockDrift float64 // [ppm/s]
	// Clock, when not nil, is how far the generator's clock is ahead beside that [s]
	// at time t [s], and the rate at which it gains. It bends little in 256 samples.
	Clock func(t float64) (ahead, rate float64)
	Mains Mains
	Seed  uint64
	// Before, when not nil, is called before the samples from first on are made, at
	// the start and whenever a bound that it returned is reached, perhaps more often.
	// It may call the Generator's Set methods, which hold from first on, and returns the
	// sample before which it wants to be called again (math.MaxInt64: never). An error
	// ends the samples before first.
	Before func(first int64) (again int64, err error)
}

// maxDelay bounds the span of couplings held in memory.
const maxDelay = 0.1

func (c *Config) check() (err error) {
	must := func(ok bool, field string, value any, rule string) {
		if !ok && err == nil {
			err = fmt.Errorf("synth: %s = %v: must be %s", field, value, rule)
		}
	}
	positive := func(field string, x float64) { must(x > 0 && !math.IsInf(x, 1), field, x, "positive and finite") }
	finite := func(field string, x float64) { must(!math.IsNaN(x) && !math.IsInf(x, 0), field, x, "finite") }

	c.KnotStep = cmp.Or(c.KnotStep, 0.5e-3)
	c.Mains.Harmonics = cmp.Or(c.Mains.Harmonics, 80)
	positive("Rate", c.Rate)
	positive("KnotStep", c.KnotStep)
	must(c.Samples >= 0, "Samples", c.Samples, "0 or more")
	must(c.Mains.Hz >= 0 && c.Mains.Harmonics > 0, "Mains", c.Mains, "0 or more")
	must(len(c.Channels) > 0, "the number of Channels", 0, "1 or more")
	for k, t := range c.Tones {
		in := fmt.Sprintf("Tones[%d].", k)
		positive(in+"Hz", t.Hz)
		finite(in+"Current", t.Current)
	}
	for i := range c.Channels {
		ch, in, tones := &c.Channels[i], fmt.Sprintf("Channels[%d].", i), len(c.Tones)
		ch.Gain = cmp.Or(ch.Gain, 1)
		finite(in+"Gain", ch.Gain)
		must(math.Abs(ch.Delay) <= maxDelay, in+"Delay", ch.Delay, fmt.Sprintf("within ±%g s", maxDelay))
		must(ch.Response == nil || len(ch.Response) == tones, in+"Response", ch.Response, "one entry a tone")
		must(ch.Transimpedance == nil || len(ch.Transimpedance) == tones, in+"Transimpedance", ch.Transimpedance, "one entry a tone")
		must(!ch.Pickup || c.Couplings != nil, in+"Pickup", ch.Pickup, "false without Config.Couplings")
		must(ch.Noise.Density >= 0, in+"Noise.Density", ch.Noise.Density, "0 or more")
		must(ch.Noise.Corner >= 0, in+"Noise.Corner", ch.Noise.Corner, "0 or more")
		must(ch.Mains >= 0, in+"Mains", ch.Mains, "0 or more")
		if q := ch.Quantiser; q.Bits != 0 {
			must(q.Bits >= 2 && q.Bits <= 32, in+"Quantiser.Bits", q.Bits, "2 to 32")
			positive(in+"Quantiser.FullScale", q.FullScale)
		}
	}
	return err
}
