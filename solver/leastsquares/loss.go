package leastsquares

import (
	"cmp"
	"math"
)

// Loss replaces the square s = r² of a residual by ρ(s) ≤ s, so that a few
// outliers do not dominate the fit. Rho returns ρ(s) and its derivative, the
// weight ρ'(s) in 0..1 that the residual's square gets in the next step
// (iteratively reweighted least squares).
//
// Residuals must be in units of their standard deviation. The tuning constants
// K that a zero K stands for leave the mean 95 % efficient on clean Gaussian
// data: Holland and Welsch, Communications in Statistics A6, 1977.
type Loss interface {
	Rho(s float64) (rho, weight float64)
}

// Huber counts |r| > K by its distance, not its square. It stays convex.
type Huber struct {
	K float64 // default 1.345
}

func (l Huber) Rho(s float64) (rho, weight float64) {
	k := cmp.Or(l.K, 1.345)
	if s <= k*k {
		return s, 1
	}
	r := math.Sqrt(s)
	return 2*k*r - k*k, k / r
}

// Cauchy lets the cost grow as a logarithm: ρ = K²·log(1 + s/K²).
type Cauchy struct {
	K float64 // default 2.385
}

func (l Cauchy) Rho(s float64) (rho, weight float64) {
	k := cmp.Or(l.K, 2.385)
	u := s / (k * k)
	return k * k * math.Log1p(u), 1 / (1 + u)
}

// Tukey gives |r| > K no weight at all (biweight): start it near the solution.
type Tukey struct {
	K float64 // default 4.685
}

func (l Tukey) Rho(s float64) (rho, weight float64) {
	k := cmp.Or(l.K, 4.685)
	u := 1 - s/(k*k)
	if u <= 0 {
		return k * k / 3, 0
	}
	return k * k / 3 * (1 - u*u*u), u * u
}
