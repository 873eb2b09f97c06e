package leastsquares_test

import (
	"math"
	"math/rand/v2"
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

// A line with a tenth of its points 30 standard deviations off. Plain squares are
// pulled by 0.1·30 = 3 sigma; the losses stay within the pull of ψ at such points,
// at most 0.1·max ψ: 0.15 (Huber), 0.1·K²/30 = 0.02 (Cauchy), 0 (Tukey), besides
// the noise of 1/√200 = 0.07.
func TestOutliers(t *testing.T) {
	const n = 200
	rng := rand.New(rand.NewPCG(5, 6))
	y := make([]float64, n)
	for i := range y {
		y[i] = 3 + 0.5*float64(i)/n + rng.NormFloat64()
		if i%10 == 3 {
			y[i] += 30
		}
	}
	p := leastsquares.Problem{
		Residuals: n,
		Function: func(x, r []float64) error {
			for i := range r {
				r[i] = x[0] + x[1]*(float64(i)/n-0.5) - y[i]
			}
			return nil
		},
	}
	for name, c := range map[string]struct {
		loss        leastsquares.Loss
		least, most float64
	}{
		"plain": {nil, 2.7, 3.3}, "Huber": {leastsquares.Huber{}, -0.3, 0.45},
		"Cauchy": {leastsquares.Cauchy{}, -0.3, 0.32}, "Tukey": {leastsquares.Tukey{}, -0.3, 0.3},
	} {
		// The middle of the line is 3.25; start there for Tukey's sake.
		res, err := leastsquares.Solve(p, []float64{3.5, 0}, leastsquares.Options{Loss: c.loss})
		if err != nil || !res.Status.Converged() {
			t.Errorf("%s: %v, %v", name, res.Status, err)
			continue
		}
		if pull := res.X[0] - 3.25; pull < c.least || pull > c.most {
			t.Errorf("%s: pulled by %.3f, want %.2f to %.2f", name, pull, c.least, c.most)
		}
		if c.loss != nil && res.Weights[3] > 0.1 {
			t.Errorf("%s: an outlier keeps the weight %.3f", name, res.Weights[3])
		}
	}
}
