package window

import (
	"math"
	"math/cmplx"
)

// cascade is n equal first-order stages y += b·(x − y): a pole at a = 1−b each.
type cascade struct {
	n int
	b float64 // kept instead of a: 1−a would lose digits when narrow
}

func newCascade(n int, w band) cascade {
	c := cascade{n: n}
	switch {
	case w.tau > 0:
		c.b = -math.Expm1(-1 / w.tau)
	case w.cutoff > 0:
		// |1−a e^{−jω}|² = b² 2^{1/n}, that is b² (2^{1/n}−1) = 4 a sin²(ω/2).
		s := math.Sin(math.Pi * w.cutoff)
		q := 4 * s * s / math.Expm1(math.Ln2/float64(n))
		c.b = 2 * q / (q + math.Sqrt(q*q+4*q))
	default:
		c.b = root(0, 1, func(b float64) float64 { return cascade{n, b}.enbw() - w.enbw })
	}
	return c
}

// response is (b/(1 − a e^{−jω}))ⁿ with 1 − a e^{−jω} = b + a(1 − e^{−jω}).
func (c cascade) response(f float64) complex128 {
	s, co := math.Sincos(math.Pi * f)
	a := 1 - c.b
	h := complex(c.b, 0) / complex(c.b+a*2*s*s, a*2*s*co)
	return cmplx.Pow(h, complex(float64(c.n), 0))
}

// enbw sums h[k] = bⁿ C(k+n−1, k) aᵏ squared, with
// Σ C(k+n−1, k)² zᵏ = (1−z)^{1−2n} Σ_j C(n−1, j)² zʲ and 1−a² = b(1+a).
func (c cascade) enbw() float64 {
	a := 1 - c.b
	z := a * a
	sum, coef, power := 0.0, 1.0, 1.0
	for j := 0; j < c.n; j++ {
		sum += coef * coef * power
		coef *= float64(c.n-1-j) / float64(j+1)
		power *= z
	}
	return 0.5 * sum * c.b * math.Pow(1+a, float64(1-2*c.n))
}

func (c cascade) cutoff() float64 {
	q := c.b * c.b * math.Expm1(math.Ln2/float64(c.n)) / (4 * (1 - c.b))
	if q > 1 {
		return math.NaN() // too wide to fall by 3 dB at all
	}
	return math.Asin(math.Sqrt(q)) / math.Pi
}

func (c cascade) sampled() sampled {
	return sampled{
		enbw: c.enbw(), cutoff: c.cutoff(), tau: -1 / math.Log1p(-c.b), delay: float64(c.n) * (1 - c.b) / c.b,
		response: c.response, settling: c.settling,
		newState: func() state { return &cascadeState{n: c.n, b: c.b} },
	}
}

// settling: after k+1 samples of a step, m = k+n, what remains is the chance of
// fewer than n successes in m trials of probability b, Σ_{j<n} C(m,j) bʲ a^{m−j}.
func (c cascade) settling(remaining float64) float64 {
	left := func(m float64) float64 {
		sum, term := 0.0, math.Exp(m*math.Log1p(-c.b))
		for j := 0; j < c.n; j++ {
			sum += term
			term *= (m - float64(j)) / float64(j+1) * c.b / (1 - c.b)
		}
		return sum
	}
	n := float64(c.n)
	lo, hi := n-1, 2*n // fewer than n trials cannot hold n successes
	for left(hi) > remaining {
		lo, hi = hi, 2*hi
	}
	return firstWithin(lo, hi, func(m float64) bool { return left(m) <= remaining }) - n + 1
}

type cascadeState struct {
	n      int
	b      float64
	re, im [8]float64
}

func (s *cascadeState) process(dst, src []complex128, wait, every int) (n, left int) {
	re, im, b := s.re[:s.n], s.im[:s.n], s.b
	im = im[:len(re)]
	for _, x := range src {
		xr, xi := real(x), imag(x)
		for i := range re {
			xr = re[i] + b*(xr-re[i])
			xi = im[i] + b*(xi-im[i])
			re[i], im[i] = xr, xi
		}
		if wait--; wait == 0 {
			dst[n] = complex(xr, xi)
			n++
			wait = every
		}
	}
	return n, wait
}
