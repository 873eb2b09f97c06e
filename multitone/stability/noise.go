package stability

import "math"

// powerLaw is the exponent α of a power-law spectrum S_y(f) ∝ f^α of the values.
type powerLaw int

const (
	whitePM      powerLaw = 2
	flickerPM    powerLaw = 1
	whiteFM      powerLaw = 0 // white noise of the values
	flickerFM    powerLaw = -1
	randomWalkFM powerLaw = -2
	flickerWalk  powerLaw = -3
	randomRun    powerLaw = -4
)

// leastPhases is the fewest phases from which a lag-1 autocorrelation tells noise
// apart (SP 1065 section 5.5.3: about 30).
const leastPhases = 30

// identify finds the dominant power law at an averaging of m values from the lag-1
// autocorrelation of the phases m apart, differenced until they are stationary, at
// most differences times: 2 for the Allan family, 3 for Hadamard. It reports false
// when fewer than 30 phases remain.
//
// Source: Riley and Greenhall, Power law noise identification using the lag 1
// autocorrelation, Proc. 18th EFTF, 2004; NIST SP 1065 section 5.5.6.
func identify(s Series, m, differences int) (powerLaw, bool) {
	if m < 1 || (len(s.x)-1)/m+1 < leastPhases {
		return 0, false
	}
	var z []float64
	for i := 0; i < len(s.x); i += m {
		z = append(z, s.x[i])
	}
	// A missing value spoils the difference across it, not the phase itself. The
	// phases are therefore differenced once before gaps are marked; white PM then
	// shows δ = −1, and the sum of δ and d is right all the same.
	d := 0
	if s.gaps != nil {
		z = differenced(z)
		for i := range z {
			if !s.whole(i*m, (i+1)*m) {
				z[i] = math.NaN()
			}
		}
		d = 1
	}
	for ; ; d++ {
		rho, pairs := lag1(z)
		if pairs < leastPhases-differences-1 || math.IsNaN(rho) {
			return 0, false
		}
		delta := rho / (1 + rho)
		if delta < 0.25 || d >= differences {
			alpha := int(math.Round(2 - 2*(delta+float64(d))))
			return powerLaw(max(int(randomRun), min(int(whitePM), alpha))), true
		}
		z = differenced(z)
	}
}

func differenced(z []float64) []float64 {
	d := make([]float64, len(z)-1)
	for i := range d {
		d[i] = z[i+1] - z[i]
	}
	return d
}

// lag1 returns Σ(z[i]−z̄)(z[i+1]−z̄)/Σ(z[i]−z̄)² over what is there, and the number
// of pairs.
func lag1(z []float64) (rho float64, pairs int) {
	mean, n := meanOf(z)
	var top, bottom float64
	for i, v := range z {
		if math.IsNaN(v) {
			continue
		}
		bottom += (v - mean) * (v - mean)
		if i+1 < len(z) && !math.IsNaN(z[i+1]) {
			top += (v - mean) * (z[i+1] - mean)
			pairs++
		}
	}
	if n > pairs+1 { // gaps: compare means, not sums
		top *= float64(n-1) / float64(max(pairs, 1))
	}
	return top / bottom, pairs
}
