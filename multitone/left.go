package multitone

import (
	"cmp"
	"math"
	"slices"

	lowpass "tonepose/multitone/window"
)

const (
	// mostInflation of a tone's variance is taken for fitting a line beside it: it is
	// reached at 0.29 bins under a rectangular window and at 0.37 under Hann. Nearer
	// lines are not resolved.
	mostInflation = 4
	// leastLeft is the share of a tone's variance that a line must make to be worth a
	// column.
	leastLeft = 0.02
)

// Effect is what a foreign line does to the tone that it disturbs most.
type Effect struct {
	Line
	Tone int
	// Left is what it would leave in the tone, over the variance that noise makes, on
	// the channel where that is most.
	Left   float64
	Share  float64 // of its power that a low-pass lets through there
	Fitted bool    // it is estimated jointly: nothing is left
}

// Effects are those of the foreign lines that matter under a window of so many samples,
// a sum of cosines about its middle.
func (c *Config) Effects(length int, cosine []float64) []Effect {
	return c.effects(shape{length, cosine})
}

// joint are the foreign lines [Hz] to be fitted under a window.
func (c *Config) joint(s shape) (hz []float64) {
	for _, e := range c.effects(s) {
		if e.Fitted {
			hz = append(hz, e.Hz)
		}
	}
	return hz
}

// effects chooses the lines to be fitted: those that would leave more in some tone
// than fitting them costs, and that the window tells from every tone and from each
// other.
func (c *Config) effects(s shape) (all []Effect) {
	sq, bin := s.squared(), s.spacing()
	one, power := s.spectrum(0), sq.spectrum(0)
	for _, l := range c.Foreign {
		at, cost := Effect{Line: l}, math.Inf(-1)
		loudest := 0.0 // of all channels, over the variance of a phasor's component
		for ch, p := range l.Power {
			if p > 0 {
				loudest = max(loudest, p/2/(l.Noise[ch]*2*power/(one*one)))
			}
		}
		for k, t := range c.Tones {
			d := c.omega(l.Hz) - c.omega(t.Hz)
			g, q := s.spectrum(d)/one, sq.spectrum(d)/power
			cost = max(cost, (1+g*g-2*g*q)/((1-g*g)*(1-g*g))-1)
			// A line in a neighbour bin disturbs what tells motion.
			for _, side := range []float64{-bin, 0, bin} {
				g := s.spectrum(d+side) / one
				if left := loudest * g * g; left > at.Left {
					at.Tone, at.Left = k, left
				}
			}
		}
		if at.Left > leastLeft {
			at.Fitted = at.Left > cost && cost < mostInflation-1
			all = append(all, at)
		}
	}
	slices.SortFunc(all, func(a, b Effect) int { return cmp.Compare(b.Left, a.Left) })
	apart := linesApart * c.SampleRate / float64(s.length) * float64(len(s.cosine))
	for i := range all {
		near := func(e Effect) bool { return e.Fitted && math.Abs(e.Hz-all[i].Hz) < apart }
		all[i].Fitted = all[i].Fitted && !slices.ContainsFunc(all[:i], near)
	}
	slices.SortFunc(all, func(a, b Effect) int { return cmp.Compare(a.Hz, b.Hz) })
	return all
}

// left is what the foreign lines that are not fitted leave in linear functions of the
// projections on columns ω [rad/sample]: the mean square of one component [V²], row by
// row for all channels.
//
// The function of row i gives, for a line of amplitude a and random phase θ, real part
// a·cos θ·Σ even_ij·½[D(ω−ω_j) + D(ω+ω_j)] and imaginary part likewise of the odd ones
// and the difference, D being the window's spectrum.
func (c *Config) left(s shape, omega []float64, f *combinations, fitted []float64) []float64 {
	rows := len(f.gain)
	out := make([]float64, rows*c.Channels)
	less, more := make([]float64, f.columns), make([]float64, f.columns)
	for _, l := range c.Foreign {
		if slices.Contains(fitted, l.Hz) {
			continue
		}
		for j, w := range omega[:f.columns] {
			less[j], more[j] = s.spectrum(c.omega(l.Hz)-w)/2, s.spectrum(c.omega(l.Hz)+w)/2
		}
		for i := range rows {
			var re, im float64
			for j := range f.columns {
				re += f.parts[0][i*f.columns+j] * (less[j] + more[j])
				im += f.parts[1][i*f.columns+j] * (less[j] - more[j])
			}
			share := (re*re + im*im) / 4
			for ch, p := range l.Power {
				out[i*c.Channels+ch] += p * share
			}
		}
	}
	return out
}

// leftBehind is what the foreign lines leave in one component of each tone behind a
// low-pass, a mean square [V²], tones × channels.
func (c *Config) leftBehind(p *lowpass.LowPass) []float64 {
	out := make([]float64, len(c.Tones)*c.Channels)
	for k, t := range c.Tones {
		for _, l := range c.Foreign {
			share := passed(p, t.Hz, l.Hz)
			for ch, power := range l.Power {
				out[k*c.Channels+ch] += power / 2 * share
			}
		}
	}
	return out
}

// passed is the share of a sinusoid's power that comes through a low-pass beside a
// tone, at their difference and at their sum.
func passed(p *lowpass.LowPass, tone, hz float64) float64 {
	return abs2(p.Response(hz-tone)) + abs2(p.Response(hz+tone))
}

// leastBehind is the share of a tone's variance that a line must make behind a low-pass
// to be one of its effects: less than in windows, as it may disturb what is measured of
// other lines far more.
const leastBehind = leastLeft / 20

// EffectsBehind are those of the foreign lines that matter behind a low-pass, where
// nothing is fitted.
func (c *Config) EffectsBehind(p *lowpass.LowPass) (all []Effect) {
	for _, l := range c.Foreign {
		at := Effect{Line: l}
		for k, t := range c.Tones {
			share := passed(p, t.Hz, l.Hz)
			for ch, power := range l.Power {
				// A component's variance is 4·ENBW over the sample rate times the noise.
				if left := power / 2 * share / (l.Noise[ch] * 4 * p.ENBWHz() / c.SampleRate); left > at.Left {
					at.Tone, at.Left, at.Share = k, left, share
				}
			}
		}
		if at.Left > leastBehind {
			all = append(all, at)
		}
	}
	return all
}
