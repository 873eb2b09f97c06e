package fieldmodels

import "gonum.org/v1/gonum/spatial/r3"

// Rectangle is a thin rectangular coil in its own frame: centre at the origin,
// axis +Z, current right-handed about it, Width along X, Height along Y.
//
// Source: four straight filaments (see Misakian, J. Res. NIST 105, 2000, for
// the same sum); far away, Gauss quadrature over the dipole layer that it
// bounds, with an error below rounding.
type Rectangle struct {
	Width  float64 // [m], along X
	Height float64 // [m], along Y
	Turns  float64
}

func (r Rectangle) corners() [4]r3.Vec {
	x, y := r.Width/2, r.Height/2
	return [4]r3.Vec{{X: x, Y: -y}, {X: x, Y: y}, {X: -x, Y: y}, {X: -x, Y: -y}}
}

// far returns the Gauss points per side of the dipole layer, or 0 near the coil.
func (r Rectangle) far(p r3.Vec) int {
	size := 0.5 * r3.Norm(r3.Vec{X: r.Width, Y: r.Height})
	distance := r3.Norm(p)
	if distance < farPolygon*size {
		return 0
	}
	return layerPoints(distance, size)
}

// Field returns B per ampere [T/A] at p [m]. Nearer to a side than 1e-9 of its
// length it returns ErrOnConductor. The relative error is a few 1e-15.
func (r Rectangle) Field(p r3.Vec) (r3.Vec, error) {
	var b r3.Vec
	if n := r.far(p); n > 0 {
		r.layer(n, func(m, at r3.Vec) {
			q := r3.Sub(p, at)
			b = r3.Add(b, dipoleField(m, q, r3.Dot(q, q)))
		})
		return b, nil
	}
	c := r.corners()
	for i := range c {
		if err := addSegmentField(&b, c[i], c[(i+1)%4], p); err != nil {
			return r3.Vec{}, err
		}
	}
	return r3.Scale(r.Turns, b), nil
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m]; errors as
// Field.
func (r Rectangle) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	var b r3.Vec
	var j Jacobian
	if n := r.far(p); n > 0 {
		r.layer(n, func(m, at r3.Vec) {
			q := r3.Sub(p, at)
			db, dj := dipoleGradient(m, q, r3.Dot(q, q))
			b = r3.Add(b, db)
			j.add(1, &dj)
		})
		return b, j, nil
	}
	c := r.corners()
	for i := range c {
		if err := addSegmentGradient(&b, &j, c[i], c[(i+1)%4], p); err != nil {
			return r3.Vec{}, Jacobian{}, err
		}
	}
	j.scale(r.Turns)
	return r3.Scale(r.Turns, b), j, nil
}

// layer calls visit with the moment [m²] and the place [m] of n×n dipoles.
func (r Rectangle) layer(n int, visit func(moment, at r3.Vec)) {
	rule := gaussRules()[n]
	k := r.Turns * r.Width * r.Height / 4
	for i, u := range rule.x {
		for j, v := range rule.x {
			visit(r3.Vec{Z: k * rule.w[i] * rule.w[j]}, r3.Vec{X: u * r.Width / 2, Y: v * r.Height / 2})
		}
	}
}
