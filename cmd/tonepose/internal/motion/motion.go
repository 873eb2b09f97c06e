// Package motion joins timed poses to a smooth motion: Through lays a Spline, and
// Spline.At returns pose, velocity and angular velocity at any time.
package motion

import (
	"fmt"
	"sort"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Spline runs through timed poses: a cubic spline in each coordinate, and
// one in each component of the quaternion (signs aligned), normalised. Position
// and rotation have continuous second derivatives; at the knots the pose is the
// given one.
type Spline struct {
	First, Last float64 // times of the first and the last pose [s]
	knots       []knot
}

// knot is one pose: the values of position and quaternion, and their slopes [1/s].
type knot struct {
	time          float64 // [s]
	value, change [7]float64
}

// Through lays a motion through timed poses, at least four at rising times [s].
func Through(times []float64, poses []rigid.Pose) (*Spline, error) {
	n := len(times)
	for i := 1; i < n; i++ {
		if times[i] <= times[i-1] {
			return nil, fmt.Errorf("pose %d, time %g s: must exceed the time before it, %g s", i+1, times[i], times[i-1])
		}
	}
	if n < 4 {
		return nil, fmt.Errorf("%d timed poses: a smooth motion needs at least 4", n)
	}
	s := &Spline{First: times[0], Last: times[n-1], knots: make([]knot, n)}
	values := mat.NewDense(n, 7, nil)
	sign := 1.0
	for i, p := range poses {
		if i > 0 {
			a, b := poses[i-1].Rotation, p.Rotation
			if a.Real*b.Real+a.Imag*b.Imag+a.Jmag*b.Jmag+a.Kmag*b.Kmag < 0 {
				sign = -sign
			}
		}
		q := quat.Scale(sign, p.Rotation)
		values.SetRow(i, []float64{p.Position.X, p.Position.Y, p.Position.Z, q.Real, q.Imag, q.Jmag, q.Kmag})
	}
	slopes, err := slopesOf(times, values)
	if err != nil {
		return nil, fmt.Errorf("spline through %d poses: %w", n, err)
	}
	for i := range s.knots {
		s.knots[i] = knot{times[i], [7]float64(values.RawRowView(i)), [7]float64(slopes.RawRowView(i))}
	}
	return s, nil
}

// around returns the two poses that a time between First and Last lies between. Of
// poses that come evenly, as they mostly do, the time itself tells; of others a search.
func (s *Spline) around(t float64) (a, b *knot) {
	last := len(s.knots) - 2
	i := max(0, min(int((t-s.First)/(s.Last-s.First)*float64(last+1)), last))
	if !(s.knots[i].time <= t && t < s.knots[i+1].time) {
		i = sort.Search(last, func(i int) bool { return t < s.knots[i+1].time })
	}
	return &s.knots[i], &s.knots[i+1]
}

// slopesOf returns the derivatives at the knots of the cubic splines through the
// columns of y: continuous second derivatives, third ones too at the second and the
// last knot but one (not-a-knot). The equations are tridiagonal: their cost
// grows with the number of poses alone.
//
// Source: de Boor, A Practical Guide to Splines (2001), chapter IV.
func slopesOf(x []float64, y *mat.Dense) (*mat.Dense, error) {
	n, columns := y.Dims()
	h := func(i int) float64 { return x[i+1] - x[i] }
	lower, diagonal, upper := make([]float64, n-1), make([]float64, n), make([]float64, n-1)
	for i := 1; i < n-1; i++ {
		lower[i-1], diagonal[i], upper[i] = h(i), 2*(h(i-1)+h(i)), h(i-1)
	}
	first, last := x[2]-x[0], x[n-1]-x[n-3]
	diagonal[0], upper[0] = h(1), first
	lower[n-2], diagonal[n-1] = last, h(n-3)
	right := mat.NewDense(n, columns, nil)
	for c := range columns {
		rise := func(i int) float64 { return (y.At(i+1, c) - y.At(i, c)) / h(i) }
		for i := 1; i < n-1; i++ {
			right.Set(i, c, 3*(h(i)*rise(i-1)+h(i-1)*rise(i)))
		}
		right.Set(0, c, ((h(0)+2*first)*h(1)*rise(0)+h(0)*h(0)*rise(1))/first)
		right.Set(n-1, c, (h(n-2)*h(n-2)*rise(n-3)+(2*last+h(n-2))*h(n-3)*rise(n-2))/last)
	}
	slopes := new(mat.Dense)
	return slopes, mat.NewTridiag(n, lower, diagonal, upper).SolveTo(slopes, false, right)
}

// At returns the pose at t [s], its velocity [m/s] and angular velocity [rad/s],
// both in the frame of the poses. Before the first pose and after the last the
// motion goes on straight and evenly.
func (s *Spline) At(t float64) (p rigid.Pose, velocity, angular r3.Vec) {
	in := min(max(t, s.First), s.Last)
	a, b := s.around(in)
	u, perStep := in-a.time, 1/(b.time-a.time)
	var v, d [7]float64
	for j := range v {
		rise := (b.value[j] - a.value[j]) * perStep
		c1, c2, c3 := a.change[j], (3*rise-2*a.change[j]-b.change[j])*perStep, (a.change[j]+b.change[j]-2*rise)*perStep*perStep
		v[j] = a.value[j] + u*(c1+u*(c2+u*c3))
		d[j] = c1 + u*(2*c2+u*3*c3)
	}
	p.Position, velocity = r3.Vec{X: v[0], Y: v[1], Z: v[2]}, r3.Vec{X: d[0], Y: d[1], Z: d[2]}
	q, dq := quat.Number{Real: v[3], Imag: v[4], Jmag: v[5], Kmag: v[6]}, quat.Number{Real: d[3], Imag: d[4], Jmag: d[5], Kmag: d[6]}
	// ω = 2·vec(q̇·q*)/|q|²: the part of q̇ along q changes only its length.
	w := quat.Mul(dq, quat.Conj(q))
	f := 2 / (q.Real*q.Real + q.Imag*q.Imag + q.Jmag*q.Jmag + q.Kmag*q.Kmag)
	angular = r3.Vec{X: f * w.Imag, Y: f * w.Jmag, Z: f * w.Kmag}
	p.Rotation = rigid.Normalize(q)
	if beyond := t - in; beyond != 0 {
		p = p.Plus(r3.Scale(beyond, velocity), r3.Scale(beyond, angular))
	}
	return p, velocity, angular
}
