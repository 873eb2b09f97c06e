package solver

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// vec3 is a vector of the rig or sensor frame, laid out for the kernels.
type vec3 = [3]float64

func fromR3(v r3.Vec) vec3 { return vec3{v.X, v.Y, v.Z} }

func toR3(v vec3) r3.Vec { return r3.Vec{X: v[0], Y: v[1], Z: v[2]} }

func dot(a, b *vec3) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func cross(a, b *vec3) vec3 {
	return vec3{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

func norm(a *vec3) float64 { return math.Sqrt(dot(a, a)) }

// rotation is R(q) row by row.
type rotation [9]float64

func (r *rotation) apply(v *vec3) vec3 {
	return vec3{
		r[0]*v[0] + r[1]*v[1] + r[2]*v[2],
		r[3]*v[0] + r[4]*v[1] + r[5]*v[2],
		r[6]*v[0] + r[7]*v[1] + r[8]*v[2],
	}
}

// set puts R(q) of a unit quaternion into r.
func (r *rotation) set(q *quat.Number) {
	w, x, y, z := q.Real, q.Imag, q.Jmag, q.Kmag
	x2, y2, z2 := x+x, y+y, z+z
	xx, yy, zz := x*x2, y*y2, z*z2
	xy, xz, yz := x*y2, x*z2, y*z2
	wx, wy, wz := w*x2, w*y2, w*z2
	r[0], r[1], r[2] = 1-yy-zz, xy-wz, xz+wy
	r[3], r[4], r[5] = xy+wz, 1-xx-zz, yz-wx
	r[6], r[7], r[8] = xz-wy, yz+wx, 1-xx-yy
}

// turn puts exp(δ/2)·q, of unit length again, into to.
func turn(to, q *quat.Number, dx, dy, dz float64) {
	h2 := (dx*dx + dy*dy + dz*dz) / 4
	var c, s float64 // cos(|δ|/2) and sin(|δ|/2)/|δ|
	if h2 < 1e-3 {   // the next terms are below 1e-16
		c = 1 - h2*(1./2-h2*(1./24-h2*(1./720-h2/40320)))
		s = 0.5 * (1 - h2*(1./6-h2*(1./120-h2*(1./5040))))
	} else {
		h := math.Sqrt(h2)
		c = math.Cos(h)
		s = 0.5 * math.Sin(h) / h
	}
	ex, ey, ez := s*dx, s*dy, s*dz
	w := c*q.Real - ex*q.Imag - ey*q.Jmag - ez*q.Kmag
	x := c*q.Imag + ex*q.Real + ey*q.Kmag - ez*q.Jmag
	y := c*q.Jmag + ey*q.Real + ez*q.Imag - ex*q.Kmag
	z := c*q.Kmag + ez*q.Real + ex*q.Jmag - ey*q.Imag
	// One Newton step towards unit length: the product is off by rounding only.
	n := 1.5 - 0.5*(w*w+x*x+y*y+z*z)
	to.Real, to.Imag, to.Jmag, to.Kmag = w*n, x*n, y*n, z*n
}
