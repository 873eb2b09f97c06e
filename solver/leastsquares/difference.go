package leastsquares

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// differences takes Jacobians by central differences. Their relative error is
// about ε^⅔ = 4e-11 of the function's own scale.
type differences struct {
	m            Manifold
	step         []float64
	fixed        bool
	delta        []float64
	shifted      []float64
	above, below []float64
}

func newDifferences(p Problem) *differences {
	n := p.Manifold.Tangent()
	d := &differences{
		m: p.Manifold, step: make([]float64, n), fixed: p.Step != nil, delta: make([]float64, n),
		shifted: make([]float64, p.Manifold.Ambient()),
		above:   make([]float64, p.Residuals), below: make([]float64, p.Residuals),
	}
	copy(d.step, p.Step)
	return d
}

func (d *differences) jacobian(call func(x, r []float64) error, x []float64, j *mat.Dense) error {
	if !d.fixed {
		sizes(d.m, d.step, x)
		for k, v := range d.step {
			d.step[k] = math.Cbrt(0x1p-52) * max(v, 1e-3)
		}
	}
	for k, h := range d.step {
		d.delta[k] = h
		d.m.Plus(d.shifted, x, d.delta)
		if err := call(d.shifted, d.above); err != nil {
			return err
		}
		d.delta[k] = -h
		d.m.Plus(d.shifted, x, d.delta)
		if err := call(d.shifted, d.below); err != nil {
			return err
		}
		d.delta[k] = 0
		for i := range d.above {
			j.Set(i, k, (d.above[i]-d.below[i])/(2*h))
		}
	}
	return nil
}

// CheckJacobian compares p.Jacobian at x with central differences and returns
// the worst difference of an element over the largest element of its column.
// Right derivatives of smooth residuals stay below about 1e-8.
func CheckJacobian(p Problem, x []float64) (worst float64, err error) {
	if p.Manifold == nil {
		p.Manifold = Euclidean(len(x))
	}
	n := p.Manifold.Tangent()
	analytic, numeric := mat.NewDense(p.Residuals, n, nil), mat.NewDense(p.Residuals, n, nil)
	if err := p.Jacobian(x, analytic); err != nil {
		return math.NaN(), err
	}
	if err := newDifferences(p).jacobian(p.Function, x, numeric); err != nil {
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
