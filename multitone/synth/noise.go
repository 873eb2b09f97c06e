package synth

import "math"

// Noise is random noise of one-sided density Density²·(1 + Corner/f) [V²/Hz].
type Noise struct {
	Density float64 // of the white part [V/√Hz]
	Corner  float64 // where flicker equals white [Hz]; 0: no flicker
}

const (
	// flickerLowest is the lowest pole [Hz]: 1/f holds down to about here, and
	// the density is flat below.
	flickerLowest = 0.01
	// flickerRatio between neighbouring poles. Σ Δ·(2/π)·p/(f²+p²) over poles p
	// spaced by Δ = ln(ratio) is 1/f with a ripple of ±2/cosh(π²/Δ) (Poisson
	// summation of sech): ±0.08 % at √10.
	flickerRatio = 3.1622776601683795
	// flickerTop is the upper edge of the poles relative to the sample rate.
	// Poles above would add a flat (2/π)/edge; sampling folds in
	// (2/π)·(π²/3)·edge/rate². The two cancel at edge = √(3/π²)·rate.
	flickerTop = 0.5513288954217921
)

// noiseSource draws white noise and a sum of first-order autoregressive
// stages of equal variance, whose poles are spread evenly in log frequency.
// It is stationary from its first sample.
type noiseSource struct {
	random *normals
	sigma  float64 // of the white part [V]
	stages []stage
	drawn  [chunk]float64 // room for numbers
}

type stage struct{ decay, drive, state float64 }

func newNoise(n Noise, rate float64, random *normals) *noiseSource {
	s := &noiseSource{random: random, sigma: n.Density * math.Sqrt(rate/2)}
	if n.Corner == 0 || n.Density == 0 {
		return s
	}
	// One stage's variance: ∫ Density²·Corner·Δ·(2/π)·p/(f²+p²) df.
	sigma := n.Density * math.Sqrt(n.Corner*math.Log(flickerRatio))
	for p := flickerTop * rate / math.Sqrt(flickerRatio); p > flickerLowest/flickerRatio; p /= flickerRatio {
		decay := math.Exp(-2 * math.Pi * p / rate)
		s.stages = append(s.stages, stage{decay: decay, drive: sigma * math.Sqrt(1-decay*decay)})
	}
	random.fill(s.drawn[:len(s.stages)])
	for j := range s.stages {
		s.stages[j].state = sigma * s.drawn[j]
	}
	return s
}

// add adds the next len(dst) samples to dst.
func (s *noiseSource) add(dst []float64) {
	if s.sigma == 0 {
		return
	}
	for i := 0; i < len(dst); i += chunk {
		to := dst[i:min(i+chunk, len(dst))]
		for k, x := range s.draw(len(to)) {
			to[k] += s.sigma * x
		}
	}
	for j := range s.stages {
		st := &s.stages[j]
		x, decay, drive := st.state, st.decay, st.drive
		for i := 0; i < len(dst); i += chunk {
			to := dst[i:min(i+chunk, len(dst))]
			for k, z := range s.draw(len(to)) {
				to[k] += x
				x = decay*x + drive*z
			}
		}
		st.state = x
	}
}

// draw returns the next numbers, at most chunk of them, until the next call.
func (s *noiseSource) draw(n int) []float64 {
	z := s.drawn[:n]
	s.random.fill(z)
	return z
}
