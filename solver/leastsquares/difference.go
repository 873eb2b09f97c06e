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
	delta        []float64
	shifted      []float64
	above, below []float64
}

func newDifferences(p Problem) *differences {
	n := p.Manifold.tangent()
	d := &differences{
		m: p.Manifold, step: make([]float64, n), delta: make([]float64, n),
		shifted: make([]float64, p.Manifold.ambient()),
		above:   make([]float64, p.Residuals), below: make([]float64, p.Residuals),
	}
	return d
}

func (d *differences) jacobian(call func(x, r []float64) error, x []float64, j *mat.Dense) error {
	sizes(d.m, d.step, x) // the step is ∛ε times the size, at least ∛ε·1e-3
	for k, v := range d.step {
		d.step[k] = math.Cbrt(0x1p-52) * max(v, 1e-3)
	}
	for k, h := range d.step {
		d.delta[k] = h
		d.m.plus(d.shifted, x, d.delta)
		if err := call(d.shifted, d.above); err != nil {
			return err
		}
		d.delta[k] = -h
		d.m.plus(d.shifted, x, d.delta)
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
