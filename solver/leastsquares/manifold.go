package leastsquares

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Manifold tells how points are moved. A point x is stored in
// ambient numbers; a move δ along its tangent has tangent numbers.
type Manifold interface {
	dimensions() (ambient, tangent int)
	// plus writes x ⊞ δ into dst, which may be x itself.
	plus(dst, x, delta []float64)
	// sizes writes the size of every tangent coordinate at x into dst: |x_i| for
	// a plain number, 1 (a radian) for all else.
	sizes(dst, x []float64)
}

// Euclidean is the space of that many plain numbers.
type Euclidean int

func (e Euclidean) dimensions() (ambient, tangent int) { return int(e), int(e) }

func (e Euclidean) plus(dst, x, delta []float64) { floats.AddTo(dst, x, delta) }

func (e Euclidean) sizes(dst, x []float64) {
	for i, v := range x {
		dst[i] = math.Abs(v)
	}
}

// Rotation is the space of unit quaternions (w, x, y, z). A move is a rotation
// vector δ [rad] applied from the left: q ⊞ δ = exp(δ/2)·q, unique for
// |δ| < π. The result is always a unit quaternion.
type Rotation struct{}

func (Rotation) dimensions() (ambient, tangent int) { return 4, 3 }

func (Rotation) plus(dst, x, delta []float64) {
	q := quat.Mul(rigid.Exp(r3.Vec{X: delta[0], Y: delta[1], Z: delta[2]}), quat.Number{Real: x[0], Imag: x[1], Jmag: x[2], Kmag: x[3]})
	q = quat.Scale(1/quat.Abs(q), q)
	dst[0], dst[1], dst[2], dst[3] = q.Real, q.Imag, q.Jmag, q.Kmag
}

func (Rotation) sizes(dst, _ []float64) { dst[0], dst[1], dst[2] = 1, 1, 1 }

// Product is the space of several manifolds side by side.
type Product []Manifold

func (p Product) dimensions() (ambient, tangent int) {
	for _, m := range p {
		a, t := m.dimensions()
		ambient, tangent = ambient+a, tangent+t
	}
	return ambient, tangent
}

func (p Product) plus(dst, x, delta []float64) {
	for _, m := range p {
		a, t := m.dimensions()
		m.plus(dst[:a], x[:a], delta[:t])
		dst, x, delta = dst[a:], x[a:], delta[t:]
	}
}

func (p Product) sizes(dst, x []float64) {
	for _, m := range p {
		a, t := m.dimensions()
		m.sizes(dst[:t], x[:a])
		dst, x = dst[t:], x[a:]
	}
}
