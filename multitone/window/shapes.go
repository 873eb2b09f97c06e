package window

import "math"

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

// parametric are tapers with one number x, within limits.
var parametric = map[string]struct {
	meaning     string
	least, most float64
	shape       func(x float64) func(v float64) float64
}{
	// I₀(πα√(1−v²))/I₀(πα); β = πα is the other usual parameter. Larger α: lower
	// sidelobes, wider main lobe (first null at √(α²+1) bins).
	// Source: Kaiser, in Kuo and Kaiser, System Analysis by Digital Computer, 1966.
	"kaiser": {"ALPHA", 0, 20, func(alpha float64) func(float64) float64 {
		beta := math.Pi * alpha
		peak := besselI0(beta)
		return func(v float64) float64 { return besselI0(beta*math.Sqrt(math.Max(0, 1-v*v))) / peak }
	}},
	// exp(−(αv)²/2): α is the reciprocal of the standard deviation in units of half
	// the frame.
	"gaussian": {"ALPHA", 0, 20, func(alpha float64) func(float64) float64 {
		return func(v float64) float64 { return math.Exp(-alpha * alpha * v * v / 2) }
	}},
	// exp(−α|v|)
	"poisson": {"ALPHA", 0, 100, func(alpha float64) func(float64) float64 {
		return func(v float64) float64 { return math.Exp(-alpha * math.Abs(v)) }
	}},
	// 1 in the middle, half a cosine over the outer fraction of each half: 0 is the
	// boxcar, 1 is Hann.
	"tukey": {"FRACTION", 0, 1, func(fraction float64) func(float64) float64 {
		return func(v float64) float64 {
			u := math.Abs(v) - (1 - fraction)
			if u <= 0 {
				return 1
			}
			return 0.5 * (1 + math.Cos(math.Pi*u/fraction))
		}
	}},
	// The narrowest main lobe for sidelobes of −x dB, see fillChebyshev.
	"dolph-chebyshev": {"DECIBEL", 20, 300, nil},
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
