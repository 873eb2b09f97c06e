package leastsquares

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Manifold tells how points are moved. A point x is stored in
// ambient numbers; a move δ along its tangent has tangent numbers.
type Manifold interface {
	ambient() int
	tangent() int
	// plus writes x ⊞ δ into dst, which may be x itself.
	plus(dst, x, delta []float64)
}

// Euclidean is the space of that many plain numbers.
type Euclidean int

func (e Euclidean) ambient() int { return int(e) }
func (e Euclidean) tangent() int { return int(e) }

func (e Euclidean) plus(dst, x, delta []float64) {
	for i := range int(e) {
		dst[i] = x[i] + delta[i]
	}
}

// Rotation is the space of unit quaternions (w, x, y, z). A move is a rotation
// vector δ [rad] applied from the left: q ⊞ δ = exp(δ/2)·q, unique for
// |δ| < π. The result is always a unit quaternion.
type Rotation struct{}

func (Rotation) ambient() int { return 4 }
func (Rotation) tangent() int { return 3 }

func (Rotation) plus(dst, x, delta []float64) {
	q := quat.Mul(rigid.Exp(r3.Vec{X: delta[0], Y: delta[1], Z: delta[2]}), quat.Number{Real: x[0], Imag: x[1], Jmag: x[2], Kmag: x[3]})
	q = quat.Scale(1/quat.Abs(q), q)
	dst[0], dst[1], dst[2], dst[3] = q.Real, q.Imag, q.Jmag, q.Kmag
}

// Product is the space of several manifolds side by side.
type Product []Manifold

func (p Product) ambient() int {
	n := 0
	for _, m := range p {
		n += m.ambient()
	}
	return n
}

func (p Product) tangent() int {
	n := 0
	for _, m := range p {
		n += m.tangent()
	}
	return n
}

func (p Product) plus(dst, x, delta []float64) {
	for _, m := range p {
		a, t := m.ambient(), m.tangent()
		m.plus(dst[:a], x[:a], delta[:t])
		dst, x, delta = dst[a:], x[a:], delta[t:]
	}
}

// sizes writes the size of every tangent coordinate at x into dst: |x_i| for a
// plain number, 1 (a radian) for all else.
func sizes(m Manifold, dst, x []float64) {
	switch m := m.(type) {
	case Euclidean:
		for i := range int(m) {
			dst[i] = math.Abs(x[i])
		}
	case Product:
		for _, part := range m {
			a, t := part.ambient(), part.tangent()
			sizes(part, dst[:t], x[:a])
			dst, x = dst[t:], x[a:]
		}
	default:
		for i := range m.tangent() {
			dst[i] = 1
		}
	}
}
