package leastsquares_test

import (
	"math"
	"testing"

	"tonepose/solver/leastsquares"
)

var losses = map[string]leastsquares.Loss{
	"Huber": leastsquares.Huber{}, "Cauchy": leastsquares.Cauchy{}, "Tukey": leastsquares.Tukey{},
}

// The tuning constants make each loss 95 % efficient on Gaussian data: Holland
// and Welsch, Communications in Statistics A6, 1977. Efficiency of an estimate
// of location with ψ(r) = r·ρ'(r²) is (E ψ')²/E ψ²: Huber, Robust Statistics,
// 1981, section 3.2. Constants of four digits leave it good to 1e-3.
func TestEfficiency(t *testing.T) {
	for name, l := range losses {
		slope, square := 0.0, 0.0
		const h = 1e-3
		for r := -10.0; r < 10; r += h {
			density := math.Exp(-r*r/2) / math.Sqrt(2*math.Pi)
			_, w := l.Rho(r * r)
			psi := r * w
			slope += r * psi * density * h // E ψ' = E r·ψ for a normal r
			square += psi * psi * density * h
		}
		if e := slope * slope / square; math.Abs(e-0.95) > 1e-3 {
			t.Errorf("%s: efficiency %.4f, want 0.95", name, e)
		}
	}
}

func TestWeightIsTheDerivative(t *testing.T) {
	for name, l := range losses {
		for _, s := range []float64{0.01, 0.5, 1.7, 2, 6, 20, 23, 400} {
			const h = 1e-5
			up, _ := l.Rho(s + h)
			down, _ := l.Rho(s - h)
			rho, w := l.Rho(s)
			if math.Abs((up-down)/(2*h)-w) > 1e-9*max(1, s) {
				t.Errorf("%s at %g: weight %g, derivative %g", name, s, w, (up-down)/(2*h))
			}
			if rho > s {
				t.Errorf("%s at %g: ρ = %g is above the square", name, s, rho)
			}
		}
	}
}
