package stream

import (
	"math"

	"tonepose/multitone"
	"tonepose/multitone/clock"
)

// A clock that jumps is learnt too slowly from the second it jumped in, and every step on
// the way tunes all tones anew: it is captured again instead.

// longStride is by how much the frequencies may change from one look at the clock to the
// next, streamSeconds later, relative: 20 ppm in a second, which no oscillator drifts
// (common practice).
const longStride = 2e-6

// strides follows by how much the clock has changed from look to look.
type strides struct {
	rates []float64 // by tone, when looked at last; nil: not yet
	long  float64   // the last change [relative], where it was beyond drift and noise, else 0
}

// jumped tells that the clock has changed twice by more, into the same direction, than
// drift and noise make it. Once may be a slip of samples, which is named when more of them
// are seen. time [s] is that of the look; tones without a reference are followed on
// pickups, where a sensor that moves changes their phases.
func (s *strides) jumped(track *clock.Track, tones []multitone.Tone, time float64) bool {
	longest := 0.0
	for i := range tones {
		if tones[i].Reference.None() {
			return false
		}
		rate := track.HzAt(i, time)/tones[i].Hz - 1
		if i >= len(s.rates) {
			s.rates = append(s.rates, rate)
			continue
		}
		// Eight sigmas are no chance.
		if by := rate - s.rates[i]; math.Abs(by) > max(longStride, 8*track.Sigma(i, time)) && math.Abs(by) > math.Abs(longest) {
			longest = by
		}
		s.rates[i] = rate
	}
	twice := longest*s.long > 0
	s.long = longest
	return twice
}
