package prediction

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// information is the Fisher information of a pose, Σ jᵀj/σ²: position [m], then
// rotation vector [rad], both in the rig frame. Only j ≤ i is kept.
type information [6][6]float64

// add counts one coupling with its derivative and variance.
func (f *information) add(j *[6]float64, variance float64) {
	w := 1 / variance
	for a := range 6 {
		v := w * j[a]
		for b := range a + 1 {
			f[a][b] += v * j[b]
		}
	}
}

// plus adds another information.
func (f *information) plus(o *information) {
	for a := range 6 {
		for b := range a + 1 {
			f[a][b] += o[a][b]
		}
	}
}

// smallestPivot is the least pivot of the scaled matrix that counts as not
// singular: squared, a direction 10⁻⁵ of the others' weight.
const smallestPivot = 1e-11

// invert writes the inverse. For a sensor that is blind to turns about u, a unit
// vector, the inverse has rank 5: zero about u. It reports false for a singular
// matrix.
//
// The matrix is scaled to a diagonal of ones, so that metres and radians do not
// matter, and inverted by Cholesky factors.
func (f *information) invert(c *[6][6]float64, u r3.Vec) bool {
	g := *f
	gauge := 0.0
	if u != (r3.Vec{}) {
		// A weight about u as large as the others makes the rest regular.
		gauge = g[3][3] + g[4][4] + g[5][5]
		v := [3]float64{u.X, u.Y, u.Z}
		for a := range 3 {
			for b := range a + 1 {
				g[3+a][3+b] += gauge * v[a] * v[b]
			}
		}
	}
	var scale [6]float64
	for i := range 6 {
		if !(g[i][i] > 0) || math.IsInf(g[i][i], 1) {
			return false
		}
		scale[i] = 1 / math.Sqrt(g[i][i])
	}
	// g = L Lᵀ, then l becomes L⁻¹, both below the diagonal.
	var l [6][6]float64
	for i := range 6 {
		for j := range i + 1 {
			s := g[i][j] * scale[i] * scale[j]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i > j {
				l[i][j] = s / l[j][j]
				continue
			}
			if !(s > smallestPivot) {
				return false
			}
			l[i][i] = math.Sqrt(s)
		}
	}
	for i := range 6 {
		l[i][i] = 1 / l[i][i]
		for j := range i {
			s := 0.0
			for k := j; k < i; k++ {
				s -= l[i][k] * l[k][j]
			}
			l[i][j] = s * l[i][i]
		}
	}
	for i := range 6 {
		for j := range i + 1 {
			s := 0.0
			for k := i; k < 6; k++ {
				s += l[k][i] * l[k][j]
			}
			s *= scale[i] * scale[j]
			c[i][j], c[j][i] = s, s
		}
	}
	if gauge > 0 {
		v := [3]float64{u.X, u.Y, u.Z}
		for a := range 3 {
			for b := range 3 {
				c[3+a][3+b] -= v[a] * v[b] / gauge
			}
		}
	}
	return true
}
