package multitone

import "math"

// Legendre's polynomials over a stretch of samples, −1 at its beginning and 1 at its
// end: moments of samples by them tell how what is gathered changes along the stretch.

// legendre writes P_0 … P_n at x, n+1 being len(p): Bonnet's recursion (NIST Digital
// Library of Mathematical Functions, 18.9.1).
func legendre(p []float64, x float64) {
	p[0] = 1
	if len(p) > 1 {
		p[1] = x
	}
	for m := 1; m+1 < len(p); m++ {
		p[m+1] = (float64(2*m+1)*x*p[m] - float64(m)*p[m-1]) / float64(m+1)
	}
}

// halving gives the polynomials of a stretch on one half of it, the first (side −1) or the
// second (1), by those of the half: P_m((x+side)/2) = Σ_k h[m][k]·P_k(x).
func halving(moments int, side float64) [][]float64 {
	h := make([][]float64, moments)
	for m := range h {
		h[m] = make([]float64, moments)
	}
	h[0][0] = 1
	for m := range moments - 1 {
		// Bonnet's recursion of the argument y = (x+side)/2, with x·P_k by the same.
		for k, v := range h[m] {
			v *= float64(2*m+1) / float64(m+1) / 2
			h[m+1][k] += v * side
			if k+1 < moments {
				h[m+1][k+1] += v * float64(k+1) / float64(2*k+1)
			}
			if k > 0 {
				h[m+1][k-1] += v * float64(k) / float64(2*k+1)
			}
		}
		if m > 0 {
			for k, v := range h[m-1] {
				h[m+1][k] -= v * float64(m) / float64(m+1)
			}
		}
	}
	return h
}

// turning expands a slow turn over a stretch by the polynomials:
// exp(−jθx) = Σ_even e_m·P_m(x) − j·Σ_odd e_m·P_m(x), with e_m = ±(2m+1)·j_m(θ) of the
// spherical Bessel functions (DLMF 10.60.7; their series, 10.53.1), for θ below 1.
func turning(e []float64, theta float64) {
	x := -theta * theta / 2
	factor := 1.0 // θ^m/(2m+1)!!
	for m := range e {
		if m > 0 {
			factor *= theta / float64(2*m+1)
		}
		sum, term := 1.0, 1.0
		for k := 1; math.Abs(term) > 1e-17; k++ {
			term *= x / float64(k) / float64(2*(m+k)+1)
			sum += term
		}
		e[m] = float64(2*m+1) * factor * sum
		if m/2%2 == 1 {
			e[m] = -e[m]
		}
	}
}
