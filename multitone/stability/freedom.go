package stability

import "math"

// freedom returns the equivalent degrees of freedom of a statistic of n phases at
// an averaging of m values under a power law: var/mean² of its square is 2/freedom.
//
// With sw(t) the generalised autocovariance of the integrated phase, sx that of the
// phase averaged over a 1/F of τ and sz the difference of order 2d of that,
//
//	1/ν = Σ_j (1 − |j|/M) sz(j/S)² / (M·sz(0)²),
//
// M the number of terms, S of them a τ. Above m = 1365 (1024 for Hadamard) the sum
// runs for that many and n in proportion, since ν then depends on n/m alone; flicker
// PM, for which it goes on with the square of ln m, takes sz(0) at the true m.
//
// Source: Greenhall and Riley, Uncertainty of stability variances based on finite
// differences, Proc. 35th PTTI, 2003; NIST SP 1065 section 5.4.
func freedom(k Statistic, noise powerLaw, m, n int) float64 {
	d := k.differences()
	noise = max(noise, powerLaw(2-2*d)) // beyond, the variance does not exist
	const longest = 4096
	modified := k == Modified || k == Time
	nn, mm := float64(n), float64(m)
	if limit := float64(longest / (d + 1)); mm > limit && (modified || noise != whitePM) {
		nn *= limit / mm
		mm = limit
	}
	c := covariance{alpha: int(noise), filter: mm, d: d}
	length := 1 + mm*float64(d)
	switch {
	case modified:
		c.filter = 1
		length = mm + mm*float64(d)
	case noise <= whiteFM:
		// The values are averages over tau0, so phases are instants of their integral.
		c.filter = math.Inf(1)
	}
	stride := mm
	if k == Allan || k == Hadamard {
		stride = 1
	}
	terms := 1 + math.Floor(math.Max(0, stride*(nn-length)/mm))
	zero := c.sz(0)
	sum := 0.5 * zero * zero
	if noise == whitePM && !modified {
		// Only differences that share a phase are correlated: whole τ apart.
		for j := 1; j <= d && float64(j)*stride < terms; j++ {
			z := c.sz(float64(j))
			sum += (1 - float64(j)*stride/terms) * z * z
		}
	} else {
		for j := 1.0; j < terms && j <= float64(d+1)*stride; j++ {
			z := c.sz(j / stride)
			sum += (1 - j/terms) * z * z
		}
	}
	if noise == flickerPM && !modified {
		c.filter = float64(m)
		zero = c.sz(0)
	}
	return math.Max(1, terms*zero*zero/(2*sum))
}

// covariance holds the parameters of Greenhall's functions.
type covariance struct {
	alpha  int
	filter float64 // F: 1 for modified statistics, m for PM noise, endless else
	d      int
}

// sw is the generalised autocovariance of the phase's integral, up to a factor:
// ±t^(3−α), times ln t for odd α.
func sw(t float64, alpha int) float64 {
	t = math.Abs(t)
	if t == 0 {
		return 0
	}
	power := t
	for range 2 - alpha {
		power *= t
	}
	if alpha%2 != 0 {
		power *= math.Log(t)
	}
	if alpha == 2 || alpha == -1 || alpha == -2 {
		return -power
	}
	return power
}

func (c covariance) sx(t float64) float64 {
	if math.IsInf(c.filter, 1) {
		return sw(t, c.alpha+2)
	}
	f := c.filter
	return f * f * (2*sw(t, c.alpha) - sw(t-1/f, c.alpha) - sw(t+1/f, c.alpha))
}

func (c covariance) sz(t float64) float64 {
	if c.d == 2 {
		return 6*c.sx(t) - 4*(c.sx(t-1)+c.sx(t+1)) + c.sx(t-2) + c.sx(t+2)
	}
	return 20*c.sx(t) - 15*(c.sx(t-1)+c.sx(t+1)) + 6*(c.sx(t-2)+c.sx(t+2)) - c.sx(t-3) - c.sx(t+3)
}
