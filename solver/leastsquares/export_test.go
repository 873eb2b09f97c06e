package leastsquares

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// What the tests of package leastsquares_test see besides.

const IterationLimit = iterationLimit

func (s Status) Converged() bool { return s.Err() == nil }

// Sigma is the standard deviation of each tangent coordinate after Covariance.
func (r Result) Sigma() []float64 {
	s := make([]float64, r.Covariance.SymmetricDim())
	for i := range s {
		s[i] = math.Sqrt(r.Covariance.At(i, i))
	}
	return s
}

// CheckJacobian compares p.Jacobian at x with central differences and returns
// the worst difference of an element over the largest element of its column.
// Right derivatives of smooth residuals stay below about 1e-8.
func CheckJacobian(p Problem, x []float64) (worst float64, err error) {
	if p.Manifold == nil {
		p.Manifold = Euclidean(len(x))
	}
	_, n := p.Manifold.dimensions()
	analytic, numeric := mat.NewDense(p.Residuals, n, nil), mat.NewDense(p.Residuals, n, nil)
	if err := p.Jacobian(x, analytic); err != nil {
		return math.NaN(), err
	}
	if err := p.differences(x, numeric); err != nil {
		return math.NaN(), err
	}
	for k := range n {
		largest, off := 0.0, 0.0
		for i := range p.Residuals {
			a, b := analytic.At(i, k), numeric.At(i, k)
			largest = max(largest, math.Abs(a), math.Abs(b))
			off = max(off, math.Abs(a-b))
		}
		if largest > 0 {
			worst = max(worst, off/largest)
		}
	}
	return worst, nil
}
