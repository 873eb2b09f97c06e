package fieldmodels

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Polyline is a thin wire along straight lines from point to point, current in
// the order of Points.
//
// An open polyline is a part of a circuit: its derivative is exact, but neither
// symmetric nor traceless, since curl B ≠ 0 where the current must flow on.
type Polyline struct {
	Points []r3.Vec // [m]
	Closed bool     // a last line leads back to the first point
	Turns  float64
}

// Field returns B per ampere [T/A] at p [m]. Nearer to a line than 1e-9 of its
// length it returns ErrOnConductor. The relative error is a few 1e-15, at most
// 3e-14 just within 40 half extents of a closed line, and 2e-15 beyond.
//
// Fewer than two points are ErrShape.
//
// Source: as Rectangle.
func (l Polyline) Field(p r3.Vec) (r3.Vec, error) {
	if len(l.Points) < 2 {
		return r3.Vec{}, l.shapeless()
	}
	if n, center := l.far(p); n > 0 {
		b, _ := l.layer(n, center, p)
		return b, nil
	}
	var b r3.Vec
	for i := range l.lines() {
		if err := addSegmentField(&b, l.Points[i], l.Points[(i+1)%len(l.Points)], p); err != nil {
			return r3.Vec{}, err
		}
	}
	return r3.Scale(l.Turns, b), nil
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m]; errors as
// Field.
func (l Polyline) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	if len(l.Points) < 2 {
		return r3.Vec{}, Jacobian{}, l.shapeless()
	}
	if n, center := l.far(p); n > 0 {
		b, j := l.layer(n, center, p)
		return b, j, nil
	}
	var b r3.Vec
	var j Jacobian
	for i := range l.lines() {
		if err := addSegmentGradient(&b, &j, l.Points[i], l.Points[(i+1)%len(l.Points)], p); err != nil {
			return r3.Vec{}, Jacobian{}, err
		}
	}
	j.scale(l.Turns)
	return r3.Scale(l.Turns, b), j, nil
}

func (l Polyline) shapeless() error {
	return fmt.Errorf("%w: Polyline.Points has %d points, and needs two", ErrShape, len(l.Points))
}

func (l Polyline) lines() int {
	if l.Closed {
		return len(l.Points)
	}
	return max(0, len(l.Points)-1)
}

// far returns the Gauss points per direction of the dipole layer and the centre
// of the points; 0 near the wire, and always for an open one.
func (l Polyline) far(p r3.Vec) (n int, center r3.Vec) {
	if !l.Closed || len(l.Points) < 3 {
		return 0, r3.Vec{}
	}
	for _, q := range l.Points {
		center = r3.Add(center, q)
	}
	center = r3.Scale(1/float64(len(l.Points)), center)
	size2 := 0.0
	for _, q := range l.Points {
		size2 = math.Max(size2, r3.Norm2(r3.Sub(q, center)))
	}
	distance2 := r3.Norm2(r3.Sub(p, center))
	if distance2 < farPolygon*farPolygon*size2 {
		return 0, center
	}
	return layerPoints(math.Sqrt(distance2 / size2)), center
}

// layer sums n×n dipoles in each of the triangles that span the wire from its
// centre. A triangle is center + u·((1−v)·a + v·b), whose area element is
// u·|a×b| du dv.
func (l Polyline) layer(n int, center, p r3.Vec) (field r3.Vec, slope Jacobian) {
	p = r3.Sub(p, center)
	rule := gaussRules()[n]
	for i := range l.Points {
		a := r3.Sub(l.Points[i], center)
		b := r3.Sub(l.Points[(i+1)%len(l.Points)], center)
		area := r3.Scale(l.Turns/4, r3.Cross(a, b))
		for i, x := range rule.x {
			u := 0.5 * (1 + x)
			for j, y := range rule.x {
				v := 0.5 * (1 + y)
				at := r3.Add(r3.Scale(1-v, a), r3.Scale(v, b))
				addDipole(&field, &slope, r3.Scale(u*rule.w[i]*rule.w[j], area), r3.Sub(p, r3.Scale(u, at)))
			}
		}
	}
	return field, slope
}
