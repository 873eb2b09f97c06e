package window

import (
	"fmt"
	"math"
)

// newAverage makes n plain averages of a whole length in a row, the response of a
// cascaded integrator–comb (CIC) decimator, without its growing registers.
//
// Source: Hogenauer, IEEE Trans. ASSP 29(2), 1981, eq. for H(f).
func newAverage(n int, w band) (sampled, error) {
	length := w.tau
	switch {
	case w.cutoff > 0:
		// Where (sin(πfL)/πfL)ⁿ has lost 3 dB, before rounding L.
		level := math.Pow(0.5, 0.5/float64(n))
		length = root(0.1, 1, func(x float64) float64 { return level - math.Sin(math.Pi*x)/(math.Pi*x) }) / w.cutoff
	case w.enbw > 0:
		length = averageENBW(n) / w.enbw
	}
	if length*float64(n) > maxTaps {
		return sampled{}, fmt.Errorf("window: %d averages of %.3g samples: more than %d taps; lower the sample rate first", n, length, maxTaps)
	}
	// The sampled average is narrower than the continuous one by O(1/L²): the
	// nearest whole length is one of the neighbours.
	var best sampled
	least := math.Inf(1)
	nearest := max(1, int(math.Round(length)))
	for l := max(1, nearest-1); l <= nearest+1; l++ {
		h := averageTaps(n, l)
		a := ofTaps(h, tapCutoff(h), float64(l))
		miss := math.Abs(a.tau - w.tau)
		switch {
		case w.cutoff > 0:
			miss = math.Abs(math.Log(a.cutoff / w.cutoff))
		case w.enbw > 0:
			miss = math.Abs(math.Log(a.enbw / w.enbw))
		}
		if miss < least {
			best, least = a, miss
		}
	}
	return best, nil
}

// averageTaps builds the taps by n running sums.
func averageTaps(n, length int) []float64 {
	h := []float64{1}
	for range n {
		next := make([]float64, len(h)+length-1)
		for i := range next {
			// Each tap sums the taps under the average: exact in whole numbers up to
			// 2⁵³, rounding below 1e-15 beyond.
			if i > 0 {
				next[i] = next[i-1]
			}
			if i < len(h) {
				next[i] += h[i]
			}
			if j := i - length; j >= 0 {
				next[i] -= h[j]
			}
		}
		h = next
	}
	sum := math.Pow(float64(length), float64(n))
	for i, j := 0, len(h)-1; i <= j; i, j = i+1, j-1 {
		h[i] /= sum
		h[j] = h[i]
	}
	return h
}

// averageENBW returns ENBW·L of n continuous averages of duration L, one-sided:
// ∫₀^∞ (sin πx/πx)^{2n} dx = ½·B₂ₙ(n), B the cardinal B-spline of order 2n at its
// middle: (1/(2n−1)!) Σ_{k<n} (−1)ᵏ C(2n,k) (n−k)^{2n−1}.
func averageENBW(n int) float64 {
	sum, c := 0.0, 1.0
	for k := 0; k < n; k++ {
		sum += c * math.Pow(float64(n-k), float64(2*n-1))
		c *= -float64(2*n-k) / float64(k+1)
	}
	return sum / (2 * math.Gamma(float64(2*n)))
}
