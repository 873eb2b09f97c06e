package window

import (
	"fmt"
	"math"
	"strconv"
)

// fixedShapes are tapers without parameter that are no sum of cosines.
//
// Source: Harris, Proc. IEEE 66(1), 1978, Table I.
var fixedShapes = map[string]func(v float64) float64{
	"bartlett": func(v float64) float64 { return 1 - math.Abs(v) },
	"cosine":   func(v float64) float64 { return math.Cos(math.Pi * v / 2) },
	"riesz":    func(v float64) float64 { return 1 - v*v },
	"bohman": func(v float64) float64 {
		v = math.Abs(v)
		return (1-v)*math.Cos(math.Pi*v) + math.Sin(math.Pi*v)/math.Pi
	},
	"parzen": func(v float64) float64 { // de la Vallée-Poussin
		v = math.Abs(v)
		if v <= 0.5 {
			return 1 - 6*v*v*(1-v)
		}
		u := 1 - v
		return 2 * u * u * u
	},
}

// parametric are tapers with one number.
var parametric = map[string]struct {
	meaning string
	make    func(float64) (Taper, error)
}{
	"kaiser":          {"ALPHA", kaiserBessel},
	"gaussian":        {"ALPHA", gaussian},
	"poisson":         {"ALPHA", poisson},
	"tukey":           {"FRACTION", tukey},
	"dolph-chebyshev": {"DECIBEL", dolphChebyshev},
}

// kaiserBessel returns the Kaiser–Bessel taper w(v) = I₀(πα√(1−v²))/I₀(πα), α = 0..20,
// dimensionless; β = πα is the other usual parameter. Larger α: lower sidelobes,
// wider main lobe (first null at √(α²+1) bins).
//
// Source: Kaiser, in Kuo and Kaiser, System Analysis by Digital Computer, 1966.
func kaiserBessel(alpha float64) (Taper, error) {
	if !(alpha >= 0 && alpha <= 20) {
		return Taper{}, fmt.Errorf("window: kaiser alpha = %g: must lie in 0..20", alpha)
	}
	beta := math.Pi * alpha
	peak := besselI0(beta)
	return Taper{Name: named("kaiser", alpha), shape: func(v float64) float64 {
		return besselI0(beta*math.Sqrt(math.Max(0, 1-v*v))) / peak
	}}, nil
}

// gaussian returns w(v) = exp(−(αv)²/2), α = 0..20: the reciprocal of the
// standard deviation in units of half the frame.
func gaussian(alpha float64) (Taper, error) {
	if !(alpha >= 0 && alpha <= 20) {
		return Taper{}, fmt.Errorf("window: gaussian alpha = %g: must lie in 0..20", alpha)
	}
	return Taper{Name: named("gaussian", alpha), shape: func(v float64) float64 {
		return math.Exp(-alpha * alpha * v * v / 2)
	}}, nil
}

// poisson returns w(v) = exp(−α|v|), α = 0..100.
func poisson(alpha float64) (Taper, error) {
	if !(alpha >= 0 && alpha <= 100) {
		return Taper{}, fmt.Errorf("window: poisson alpha = %g: must lie in 0..100", alpha)
	}
	return Taper{Name: named("poisson", alpha), shape: func(v float64) float64 {
		return math.Exp(-alpha * math.Abs(v))
	}}, nil
}

// tukey returns the taper that is 1 in the middle and falls as half a cosine over
// the outer fraction 0..1 of each half: 0 is the boxcar, 1 is Hann.
func tukey(fraction float64) (Taper, error) {
	if !(fraction >= 0 && fraction <= 1) {
		return Taper{}, fmt.Errorf("window: tukey fraction = %g: must lie in 0..1", fraction)
	}
	return Taper{Name: named("tukey", fraction), shape: func(v float64) float64 {
		u := math.Abs(v) - (1 - fraction)
		if u <= 0 {
			return 1
		}
		return 0.5 * (1 + math.Cos(math.Pi*u/fraction))
	}}, nil
}

func named(key string, x float64) string {
	return key + ":" + strconv.FormatFloat(x, 'g', -1, 64)
}

// besselI0 returns I₀(x) = Σ ((x/2)ᵏ/k!)², all terms positive, so the sum keeps
// full precision for every x that a taper uses (0..63).
func besselI0(x float64) float64 {
	q := x * x / 4
	sum, term := 1.0, 1.0
	for k := 1.0; term > sum*1e-17; k++ {
		term *= q / (k * k)
		sum += term
	}
	return sum
}
