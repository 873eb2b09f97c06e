package calibration

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// vec3 is a vector in a layout that stays in registers.
type vec3 = [3]float64

// mat3 is a 3×3 matrix row by row.
type mat3 = [3][3]float64

func fromR3(v r3.Vec) vec3 { return vec3{v.X, v.Y, v.Z} }

func toR3(v vec3) r3.Vec { return r3.Vec{X: v[0], Y: v[1], Z: v[2]} }

func dot(a, b *vec3) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func cross(a, b *vec3) vec3 {
	return vec3{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

func sub(a, b *vec3) vec3 { return vec3{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }

func add(a, b *vec3) vec3 { return vec3{a[0] + b[0], a[1] + b[1], a[2] + b[2]} }

func apply(m *mat3, v *vec3) vec3 {
	return vec3{dot(&m[0], v), dot(&m[1], v), dot(&m[2], v)}
}

func applyTransposed(m *mat3, v *vec3) vec3 {
	return vec3{
		m[0][0]*v[0] + m[1][0]*v[1] + m[2][0]*v[2],
		m[0][1]*v[0] + m[1][1]*v[1] + m[2][1]*v[2],
		m[0][2]*v[0] + m[1][2]*v[1] + m[2][2]*v[2],
	}
}

func multiply(a, b *mat3) (c mat3) {
	for i := range 3 {
		for j := range 3 {
			c[i][j] = a[i][0]*b[0][j] + a[i][1]*b[1][j] + a[i][2]*b[2][j]
		}
	}
	return c
}

// across returns two unit vectors t1, t2 with t1 × t2 along the unit vector a.
func across(a vec3) (t1, t2 vec3) {
	x := vec3{1, 0, 0}
	if math.Abs(a[0]) > 0.6 {
		x = vec3{0, 1, 0}
	}
	t2 = cross(&a, &x)
	n := math.Sqrt(dot(&t2, &t2))
	t2 = vec3{t2[0] / n, t2[1] / n, t2[2] / n}
	return cross(&t2, &a), t2
}

// unitQuat returns q over its length, the identity for zero.
func unitQuat(q quat.Number) quat.Number {
	n := quat.Abs(q)
	if n == 0 {
		return quat.Number{Real: 1}
	}
	return quat.Scale(1/n, q)
}
