package leastsquares

import (
	"cmp"
	"math"

	"gonum.org/v1/gonum/mat"
)

// differences writes the Jacobian at x by central differences into j. Their relative
// error is about ε^⅔ = 4e-11 of the function's own scale. A plain number moves by a share of
// itself, however small it is: it may be the factor of a large power.
func (p *Problem) differences(x []float64, j *mat.Dense) error {
	_, n := p.Manifold.dimensions()
	size, delta, shifted := make([]float64, n), make([]float64, n), make([]float64, len(x))
	ends := [2][]float64{make([]float64, p.Residuals), make([]float64, p.Residuals)}
	p.Manifold.sizes(size, x)
	for k, v := range size {
		h := math.Cbrt(0x1p-52) * cmp.Or(v, 1e-3)
		for i, d := range []float64{h, -h} {
			delta[k] = d
			p.Manifold.plus(shifted, x, delta)
			if err := p.Function(shifted, ends[i]); err != nil {
				return err
			}
		}
		delta[k] = 0
		for i, above := range ends[0] {
			j.Set(i, k, (above-ends[1][i])/(2*h))
		}
	}
	return nil
}
