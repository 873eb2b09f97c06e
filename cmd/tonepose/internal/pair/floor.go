package pair

import (
	"math"
	"strings"
)

// floored adds to the variance of each component of a phasor of a size what the noise
// beside its tone does not show, in n samples of a channel:
//
// Rounding to the resolution q of the samples has the variance q²/12 (IEEE Std
// 1241-2010, 4.1). Noise spreads it over the spectrum, where it is measured; without
// noise it stands at the tone's own harmonics, and as much of it at the tone as if the
// samples that differ were all there are.
//
// Arithmetic rounds the phases of a sinusoid to 2⁻⁵³ of all that it has turned, and
// its tables to 32·2⁻⁵³.
func (p *Pair) floored(variance float64, channel int, size, hz, n float64) float64 {
	const rounding = 1.0 / (1 << 53)
	q := size * rounding
	switch {
	case p.info.Integer:
		q = p.info.Scale[channel]
	case strings.HasPrefix(p.info.Datatype, "rf32"):
		q = size / (1 << 24)
	}
	hidden := max(0, q*q/12-variance*n/2)
	turned := 2 * math.Pi * hz * n / p.info.SampleRate
	arithmetic := size * rounding * (32 + turned)
	return variance + 2*hidden/different(hz/p.info.SampleRate, n) + arithmetic*arithmetic
}

// different counts the phases, but for half a turn, that n samples have of a tone of
// so many cycles a sample: of opposite phases rounding errs alike. After m samples they
// are the same but for the distance of m·cycles from a whole number of half turns; over
// all samples that moves them on, and where it is a gap or more there are m more for
// each.
func different(cycles, n float64) float64 {
	least := n
	for m := 1.0; m < least && m <= 1<<16; m++ {
		off := math.Abs(2*m*cycles - math.Round(2*m*cycles))
		least = min(least, m*max(1, off*n))
	}
	return least
}
