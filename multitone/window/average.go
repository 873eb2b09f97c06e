package window

import (
	"fmt"
	"math"
)

// average is n plain averages of length samples in a row, the response of a
// cascaded integrator–comb (CIC) decimator, without its growing registers.
//
// Source: Hogenauer, IEEE Trans. ASSP 29(2), 1981, eq. for H(f).
type average struct {
	n, length int
	h         []float64
}

func newAverage(n int, w band) (average, error) {
	length := w.tau
	switch {
	case w.cutoff > 0:
		// Where (sin(πfL)/πfL)ⁿ has lost 3 dB, before rounding L.
		level := math.Pow(0.5, 0.5/float64(n))
		length = root(0, 1, func(x float64) float64 { return level - math.Sin(math.Pi*x)/(math.Pi*x) }) / w.cutoff
	case w.enbw > 0:
		length = averageENBW(n) / w.enbw
	}
	if length*float64(n) > maxTaps {
		return average{}, fmt.Errorf("window: %d averages of %.3g samples: more than %d taps; lower the sample rate first", n, length, maxTaps)
	}
	// The sampled average is narrower than the continuous one by O(1/L²): the
	// nearest whole length is one of the neighbours.
	best := averageOf(n, max(1, int(math.Round(length))))
	miss := func(a average) float64 {
		switch {
		case w.cutoff > 0:
			return math.Abs(math.Log(a.cutoff() / w.cutoff))
		case w.enbw > 0:
			return math.Abs(math.Log(a.enbw() / w.enbw))
		}
		return math.Abs(float64(a.length) - w.tau)
	}
	for _, l := range []int{best.length - 1, best.length + 1} {
		if l < 1 {
			continue
		}
		if a := averageOf(n, l); miss(a) < miss(best) {
			best = a
		}
	}
	return best, nil
}

// averageOf builds the taps by n running sums.
func averageOf(n, length int) average {
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
	return average{n, length, h}
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

func (a average) response(f float64) complex128 {
	d := math.Sin(math.Pi * f)
	h := 1.0
	if d != 0 {
		h = math.Sin(math.Pi*f*float64(a.length)) / (float64(a.length) * d)
	}
	s, c := math.Sincos(-2 * math.Pi * f * a.groupDelay())
	m := math.Pow(h, float64(a.n))
	return complex(m*c, m*s)
}

func (a average) enbw() float64 { return tapENBW(a.h) }

func (a average) cutoff() float64 {
	if a.length == 1 {
		return math.NaN()
	}
	level := math.Pow(0.5, 0.5/float64(a.n))
	l := float64(a.length)
	f := root(0, 1/l, func(f float64) float64 { return level - math.Sin(math.Pi*f*l)/(l*math.Sin(math.Pi*f)) })
	if f > 0.5 {
		return math.NaN()
	}
	return f
}

func (a average) timeConstant() float64 { return float64(a.length) }

func (a average) groupDelay() float64 { return float64(len(a.h)-1) / 2 }

func (a average) settling(remaining float64) float64 { return tapSettling(a.h, remaining) }

func (a average) taps() []float64 { return a.h }

func (a average) newState() state { return newTapState(a.h) }
