package multitone

import (
	"math"
	"slices"
)

// The noise of a phasor is what stands in the spectrum beside its tone: near
// enough that flicker noise has not changed, far enough that neither the tone
// nor the sidebands that motion puts round it remain.
const (
	// A Bank pools many windows; an interval has but its own, and a variance
	// from few squares makes chi-square too large, by 2/(squares − 2).
	bankProbes     = 6 // of each tone
	intervalProbes = 16
	probeClear     = 4.0 // bins between a probe and any tone
	probeStep      = 1.5 // bins between probes: Hann windows are then nearly independent
	probeReach     = 40.0
)

// fitted lists the columns of a joint fit [rad/sample]: the tones first, then the
// given foreign lines, slow drift, the resolved lines, and, if wanted, both neighbour
// bins of every tone, where they are clear of all else. tones tells for each column the
// tone whose course it follows, or fixed.
func (c *Config) fitted(length int, halfLobe, apart float64, foreign []float64, sidebands bool) (omega []float64, tones []int) {
	bin := 2 * math.Pi / float64(length)
	omega = c.omegas()
	for k := range omega {
		tones = append(tones, k)
	}
	for _, hz := range foreign {
		omega = append(omega, c.omega(hz))
	}
	omega = append(omega, 0, driftBins*bin) // offset and ramp
	for _, hz := range c.resolved(c.Lines, length, halfLobe, apart, foreign) {
		omega = append(omega, c.omega(hz))
	}
	for len(tones) < len(omega) {
		tones = append(tones, fixed)
	}
	if !sidebands {
		return omega, tones
	}
	for k, tone := range c.omegas() {
		for _, side := range []float64{-1, 1} {
			w := tone + side*bin
			if c.clear(w, omega, 0.9*bin) {
				omega, tones = append(omega, w), append(tones, k)
			}
		}
	}
	return omega, tones
}

// fixed marks a column of constant frequency.
const fixed = -1

func (c *Config) clear(w float64, omega []float64, distance float64) bool {
	if w < distance || w > math.Pi-distance {
		return false
	}
	for _, o := range omega {
		if math.Abs(o-w) < distance {
			return false
		}
	}
	return true
}

// probeFrequencies gives every tone the nearest free frequencies [rad/sample],
// perTone of them or one more. Tones share some where their neighbourhoods meet.
func (c *Config) probeFrequencies(length, perTone int) (owners [][]int, omega []float64) {
	bin := 2 * math.Pi / float64(length)
	tones := c.omegas()
	var lines []float64
	for _, hz := range c.Lines {
		lines = append(lines, c.omega(hz))
	}
	for _, l := range c.Foreign {
		lines = append(lines, c.omega(l.Hz))
	}
	owners = make([][]int, len(c.Tones))
	for _, clearance := range []float64{probeClear, 2.5, 1.5} {
		for k, tone := range tones {
			for d := clearance; d < probeReach && len(owners[k]) < perTone; d += probeStep {
				for _, side := range []float64{-1, 1} {
					w := tone + side*d*bin
					if w < probeClear*bin || w > math.Pi-probeClear*bin ||
						!c.clear(w, tones, clearance*bin*0.999) || !c.clear(w, lines, 2*bin) {
						continue
					}
					near := slices.IndexFunc(omega, func(o float64) bool { return math.Abs(o-w) < probeStep/2*bin })
					if near < 0 {
						near = len(omega)
						omega = append(omega, w)
					}
					if !slices.Contains(owners[k], near) {
						owners[k] = append(owners[k], near)
					}
				}
			}
		}
	}
	return owners, omega
}
