package synth

import "math"

// What follows changes a bench while its samples are drawn. Each call holds from the
// next sample that is computed on: exactly so within Config.Before. A step of a current
// or a coupling is taken without the pulse that its derivative would be.

// SetCurrent sets a tone's peak current [A]; 0 switches the drive off.
func (g *Generator) SetCurrent(tone int, peak float64) { g.cfg.Tones[tone].Current = peak }

// SetCoupled multiplies the couplings of a tone: 0 takes the emitter away while its
// current goes on.
func (g *Generator) SetCoupled(tone int, factor float64) { g.coupled[tone] = factor }

// SetPlugged multiplies what reaches a channel's amplifier: 0 unplugs the coil, −1
// reverses its leads. Noise and hum of the channel stay.
func (g *Generator) SetPlugged(channel int, factor float64) { g.channels[channel].plugged = factor }

// SetNoise sets the density of a channel's white noise [V/√Hz], and that of the flicker
// beside it, at the ADC's input.
func (g *Generator) SetNoise(channel int, density float64) {
	ch, s := &g.cfg.Channels[channel], g.channels[channel].noise
	old := ch.Noise.Density
	if ch.Noise.Density = density; old == 0 {
		g.channels[channel].noise = newNoise(ch.Noise, g.cfg.Rate, s.random)
		return
	}
	s.sigma = density * math.Sqrt(g.cfg.Rate/2)
	for i := range s.stages {
		s.stages[i].drive *= density / old
		s.stages[i].state *= density / old
	}
}

// SetMains sets the peak of a channel's mains fundamental [V] at the ADC's input; the
// phases stay. It needs Config.Mains.Hz.
func (g *Generator) SetMains(channel int, peak float64) {
	g.channels[channel].hum = newHum(g.cfg.Mains, peak, newNormals(g.cfg.Seed, uint64(2*channel+1)).random)
}
