package multitone

import (
	"fmt"
	"math"
)

// newEstimator prepares the weighted least squares for the complex amplitudes of the
// tones, all columns before the neighbour bins jointly present.
//
// With x(u) = Σ Re{X_i exp(jω_i u)} and weights even about u = 0, the real
// parts meet only cosines and the imaginary parts only sines: two real
// systems, Gᵉ Re X = Re y and Gᵒ Im X = Im y (see system).
func newEstimator(t *system) (*combinations, error) {
	n := t.plain
	return t.combine(n, each(t.tones), func(part int) ([]float64, error) {
		rows, _, err := t.inverse(part)
		if err != nil {
			return nil, fmt.Errorf("multitone: a window of %d samples does not separate the tones and lines in it, %w: lengthen it, or put them further apart", t.shape.length, err)
		}
		w := make([]float64, t.tones*n)
		for i := range t.tones {
			copy(w[i*n:(i+1)*n], rows[i*len(t.omega):])
			if v := w[i*n+i] * t.g[part].At(i, i); v > maxInflation {
				return nil, fmt.Errorf("multitone: a window of %d samples hardly separates tone %d from the other tones: its variance would grow %.2g times: lengthen the window, or put them further apart", t.shape.length, i+1, v)
			}
		}
		return w, nil
	})
}

// maxInflation refuses tones whose variance would be absurd: so many times that of
// a tone alone.
const maxInflation = 1e6

// driftBins is the frequency of the sinusoid whose sine stands for a ramp: over the window
// it departs from a straight line by (2π·driftBins/2)²/6 = 0.4 %. Its cosine
// would be an offset once more and is left out.
const driftBins = 0.05

// linesApart is the distance in bins down to which lines under a rectangular
// window are fitted side by side. Their amplitudes do not matter, only that they
// leak into no tone, so it costs nothing that they are hard to separate.
const linesApart = 0.4

// resolved keeps the lines [Hz] that a window of the given length can tell from every
// tone, and that are so many bins apart from each other, the foreign lines and zero.
func (c *Config) resolved(lines []float64, length int, halfLobe, apart float64, foreign []float64) []float64 {
	bin := c.SampleRate / float64(length)
	var kept []float64
	for _, hz := range lines {
		ok := hz > apart*bin && hz < c.SampleRate/2-halfLobe*bin
		for _, t := range c.Tones {
			ok = ok && math.Abs(t.Hz-hz) > halfLobe*bin
		}
		for _, others := range [][]float64{kept, foreign} {
			for _, k := range others {
				ok = ok && math.Abs(k-hz) > apart*bin
			}
		}
		if ok {
			kept = append(kept, hz)
		}
	}
	return kept
}
