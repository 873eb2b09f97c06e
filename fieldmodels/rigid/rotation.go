package rigid

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Exp returns the unit quaternion of the rotation vector w [rad]: a rotation by
// |w| about w, right-handed. Exact to rounding for every |w|, zero included.
func Exp(w r3.Vec) quat.Number {
	t2 := r3.Dot(w, w)
	var c, s float64 // cos(|w|/2), sin(|w|/2)/|w|
	if t2 < 1e-6 {
		c = 1 - t2/8*(1-t2/48)
		s = 0.5 - t2/48*(1-t2/80)
	} else {
		t := math.Sqrt(t2)
		s, c = math.Sincos(t / 2)
		s /= t
	}
	return quat.Number{Real: c, Imag: s * w.X, Jmag: s * w.Y, Kmag: s * w.Z}
}

// Log returns the rotation vector [rad] of the unit quaternion q, the shorter
// of the two: 0 ≤ |Log(q)| ≤ π. q and −q give the same vector, except for
// half turns (Real = 0), whose two vectors ±π·u are both right.
func Log(q quat.Number) r3.Vec {
	v := r3.Vec{X: q.Imag, Y: q.Jmag, Z: q.Kmag}
	w := q.Real
	if w < 0 {
		w, v = -w, r3.Scale(-1, v)
	}
	n2 := r3.Dot(v, v)
	if n2 < 1e-6*w*w {
		x := n2 / (w * w)
		return r3.Scale(2/w*(1-x*(1./3-x*(1./5-x/7))), v)
	}
	n := math.Sqrt(n2)
	return r3.Scale(2*math.Atan2(n, w)/n, v)
}

// Normalize returns q scaled to unit length; the identity for zero.
func Normalize(q quat.Number) quat.Number {
	n := math.Sqrt(q.Real*q.Real + q.Imag*q.Imag + q.Jmag*q.Jmag + q.Kmag*q.Kmag)
	if !(n > 0) {
		return quat.Number{Real: 1}
	}
	return quat.Scale(1/n, q)
}

// Rotate returns v rotated by the unit quaternion q.
func Rotate(q quat.Number, v r3.Vec) r3.Vec {
	// v + 2w(u×v) + 2u×(u×v), u the vector part.
	u := r3.Vec{X: q.Imag, Y: q.Jmag, Z: q.Kmag}
	t := r3.Scale(2, r3.Cross(u, v))
	return r3.Add(v, r3.Add(r3.Scale(q.Real, t), r3.Cross(u, t)))
}

// Matrix returns the rotation matrix R of the unit quaternion q: R·v = Rotate(q, v).
func Matrix(q quat.Number) (m [3][3]float64) {
	SetMatrix(&m, q)
	return m
}

// SetMatrix writes Matrix(q) into m, without the copy of what Matrix returns, which
// waits for the numbers just stored.
func SetMatrix(m *[3][3]float64, q quat.Number) {
	w, x, y, z := q.Real, q.Imag, q.Jmag, q.Kmag
	m[0][0], m[0][1], m[0][2] = 1-2*(y*y+z*z), 2*(x*y-w*z), 2*(x*z+w*y)
	m[1][0], m[1][1], m[1][2] = 2*(x*y+w*z), 1-2*(x*x+z*z), 2*(y*z-w*x)
	m[2][0], m[2][1], m[2][2] = 2*(x*z-w*y), 2*(y*z+w*x), 1-2*(x*x+y*y)
}

// FromMatrix returns the unit quaternion, Real ≥ 0, of the rotation matrix m.
// A matrix that is orthogonal only to rounding is fine.
//
// Source: Shepperd, Quaternion from rotation matrix, J. Guidance and Control 1
// (1978): the largest of the four components is found first, so that no
// rotation divides by a small number.
func FromMatrix(m [3][3]float64) quat.Number {
	var q quat.Number
	trace := m[0][0] + m[1][1] + m[2][2]
	switch {
	case trace >= m[0][0] && trace >= m[1][1] && trace >= m[2][2]:
		q = quat.Number{Real: 1 + trace, Imag: m[2][1] - m[1][2], Jmag: m[0][2] - m[2][0], Kmag: m[1][0] - m[0][1]}
	case m[0][0] >= m[1][1] && m[0][0] >= m[2][2]:
		q = quat.Number{Real: m[2][1] - m[1][2], Imag: 1 + 2*m[0][0] - trace, Jmag: m[0][1] + m[1][0], Kmag: m[0][2] + m[2][0]}
	case m[1][1] >= m[2][2]:
		q = quat.Number{Real: m[0][2] - m[2][0], Imag: m[0][1] + m[1][0], Jmag: 1 + 2*m[1][1] - trace, Kmag: m[1][2] + m[2][1]}
	default:
		q = quat.Number{Real: m[1][0] - m[0][1], Imag: m[0][2] + m[2][0], Jmag: m[1][2] + m[2][1], Kmag: 1 + 2*m[2][2] - trace}
	}
	if q.Real < 0 {
		q = quat.Scale(-1, q)
	}
	return Normalize(q)
}

// Between returns the smallest rotation that carries the direction of a to the
// direction of b; lengths don't matter, but neither may be zero. Opposite
// directions have no smallest rotation: a half turn about some axis square to
// a is chosen.
func Between(a, b r3.Vec) quat.Number {
	a, b = r3.Unit(a), r3.Unit(b)
	// The cross product, each product rounded: fused into the differences, one would
	// leave noise where the directions are opposite.
	c := r3.Vec{
		X: float64(a.Y*b.Z) - float64(a.Z*b.Y),
		Y: float64(a.Z*b.X) - float64(a.X*b.Z),
		Z: float64(a.X*b.Y) - float64(a.Y*b.X),
	}
	// Rounding leaves a part of c along a, which near opposite directions would
	// tilt the axis: take it out, twice since c may be little else.
	for range 2 {
		c = r3.Sub(c, r3.Scale(r3.Dot(c, a), a))
	}
	n := r3.Norm(c)
	if n < 1e-150 { // its squares, and what is divided by it, leave the range of numbers
		if r3.Dot(a, b) > 0 {
			return quat.Number{Real: 1}
		}
		_, c = Across(a)
		n = 1
	}
	w := r3.Norm(r3.Add(a, b))
	s := r3.Norm(r3.Sub(a, b)) / n
	return Normalize(quat.Number{Real: w, Imag: s * c.X, Jmag: s * c.Y, Kmag: s * c.Z})
}

// Across returns two unit vectors square to the unit vector a and to each other,
// with u × v along a.
func Across(a r3.Vec) (u, v r3.Vec) {
	k := r3.Vec{X: 1}
	if math.Abs(a.X) > 0.6 {
		k = r3.Vec{Y: 1}
	}
	v = r3.Unit(r3.Cross(a, k))
	return r3.Cross(v, a), v
}
