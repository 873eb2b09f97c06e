// Package motion joins timed poses to a smooth motion: Through lays a Spline, and
// Spline.At returns pose, velocity and angular velocity at any time.
package motion

import (
	"fmt"

	"gonum.org/v1/gonum/interp"
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
	x, y, z     interp.NotAKnotCubic
	q           [4]interp.NotAKnotCubic
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
	s := &Spline{First: times[0], Last: times[n-1]}
	col := make([][]float64, 7)
	for i := range col {
		col[i] = make([]float64, n)
	}
	sign := 1.0
	for i, p := range poses {
		if i > 0 {
			a, b := poses[i-1].Rotation, p.Rotation
			if a.Real*b.Real+a.Imag*b.Imag+a.Jmag*b.Jmag+a.Kmag*b.Kmag < 0 {
				sign = -sign
			}
		}
		q := quat.Scale(sign, p.Rotation)
		for j, v := range []float64{p.Position.X, p.Position.Y, p.Position.Z, q.Real, q.Imag, q.Jmag, q.Kmag} {
			col[j][i] = v
		}
	}
	for j, c := range []*interp.NotAKnotCubic{&s.x, &s.y, &s.z, &s.q[0], &s.q[1], &s.q[2], &s.q[3]} {
		if err := c.Fit(times, col[j]); err != nil {
			return nil, fmt.Errorf("spline through %d poses: %w", n, err)
		}
	}
	return s, nil
}

// At returns the pose at t [s], its velocity [m/s] and angular velocity [rad/s],
// both in the frame of the poses. Before the first pose and after the last the
// motion goes on straight and evenly.
func (s *Spline) At(t float64) (p rigid.Pose, velocity, angular r3.Vec) {
	in := min(max(t, s.First), s.Last)
	p.Position = r3.Vec{X: s.x.Predict(in), Y: s.y.Predict(in), Z: s.z.Predict(in)}
	velocity = r3.Vec{X: s.x.PredictDerivative(in), Y: s.y.PredictDerivative(in), Z: s.z.PredictDerivative(in)}
	q := quat.Number{Real: s.q[0].Predict(in), Imag: s.q[1].Predict(in), Jmag: s.q[2].Predict(in), Kmag: s.q[3].Predict(in)}
	dq := quat.Number{Real: s.q[0].PredictDerivative(in), Imag: s.q[1].PredictDerivative(in),
		Jmag: s.q[2].PredictDerivative(in), Kmag: s.q[3].PredictDerivative(in)}
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
