package prediction

import (
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver/internal/kernel"
)

// information is the Fisher information of a pose, Σ w·jᵀj: position [m], then
// rotation vector [rad], both in the rig frame.
type information struct{ sum kernel.Sum }

// add counts a derivative with its weight, one over the variance.
func (f *information) add(j *[6]float64, w float64) {
	for a := range 6 {
		row := f.sum[kernel.At(a, a):]
		v := w * j[a]
		for b := a; b < 6; b++ {
			row[b-a] += v * j[b]
		}
	}
}

// plus adds another information.
func (f *information) plus(o *information) {
	for i, v := range o.sum {
		f.sum[i] += v
	}
}

// smallestPivot is the least pivot over its diagonal that counts as not singular:
// squared, a direction 10⁻⁵ of the others' weight.
const smallestPivot = 1e-11

// invert writes the inverse. For a sensor whose couplings do not change with rotations about u, a unit
// vector, the inverse has rank 5: zero about u. It reports false for a singular
// matrix.
func (f *information) invert(c *[6][6]float64, u r3.Vec) bool {
	gauge := kernel.Gauge{Axis: u}
	if u != (r3.Vec{}) {
		// A weight about u as large as the others makes the rest regular.
		gauge.Weight = f.sum[kernel.At(3, 3)] + f.sum[kernel.At(4, 4)] + f.sum[kernel.At(5, 5)]
	}
	var l kernel.Factor
	if !(l.Decompose(&f.sum, 0, gauge) > smallestPivot) {
		return false
	}
	l.Inverse(c)
	if gauge.Weight > 0 {
		axis := [3]float64{u.X, u.Y, u.Z}
		for a := range 3 {
			for b := range 3 {
				c[3+a][3+b] -= axis[a] * axis[b] / gauge.Weight
			}
		}
	}
	return true
}
