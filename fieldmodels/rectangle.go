package fieldmodels

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Rectangle is a thin rectangular coil in its own frame: centre at the origin,
// axis +Z, current right-handed about it, Width along X, Height along Y.
//
// Source: four straight filaments (see Misakian, J. Res. NIST 105, 2000, for
// the same sum); beyond 40 half diagonals, where their fields would cancel to
// 1e-14, Gauss–Legendre quadrature over the dipole layer that it bounds, with an
// error below rounding.
type Rectangle struct {
	Width  float64 // [m], along X
	Height float64 // [m], along Y
	Turns  float64
}

// far returns the Gauss points per side of the dipole layer, or 0 near the coil.
func (r Rectangle) far(p r3.Vec) int {
	size2 := 0.25 * (r.Width*r.Width + r.Height*r.Height)
	distance2 := r3.Dot(p, p)
	if distance2 < farPolygon*farPolygon*size2 {
		return 0
	}
	return layerPoints(math.Sqrt(distance2 / size2))
}

// Field returns B per ampere [T/A] at p [m]. Nearer to a side than 1e-9 of its
// length it returns ErrOnConductor. The relative error is a few 1e-15, at most
// 3e-14 just within 40 half diagonals, and 2e-15 at any distance beyond.
func (r Rectangle) Field(p r3.Vec) (r3.Vec, error) {
	if n := r.far(p); n > 0 {
		b, _ := r.layer(n, p)
		return b, nil
	}
	s, ok := r.sides(p)
	if !ok {
		return r3.Vec{}, ErrOnConductor
	}
	return r.sum(p, &s), nil
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m]; errors as
// Field.
func (r Rectangle) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	if n := r.far(p); n > 0 {
		b, j := r.layer(n, p)
		return b, j, nil
	}
	s, ok := r.sides(p)
	if !ok {
		return r3.Vec{}, Jacobian{}, ErrOnConductor
	}
	var across [4]float64
	for i := range s {
		across[i] = s[i].across()
	}
	k := Mu0 / (4 * math.Pi) * r.Turns
	x1, x2, y1, y2 := p.X-r.Width/2, p.X+r.Width/2, p.Y-r.Height/2, p.Y+r.Height/2
	kz := k * p.Z
	xx := kz * (x1*across[0] - x2*across[1])
	yy := kz * (y1*across[2] - y2*across[3])
	xy := kz * (s[0].along() - s[1].along())
	xz := k * (s[0].f - s[1].f + p.Z*p.Z*(across[0]-across[1]))
	yz := k * (s[2].f - s[3].f + p.Z*p.Z*(across[2]-across[3]))
	return r.sum(p, &s), Jacobian{{xx, xy, xz}, {xy, yy, yz}, {xz, yz, -xx - yy}}, nil
}

// sum returns the field of the four sides. With V of each as in segment, and F
// even under a reversal of the side's direction,
//
//	B = μ0/4π·[F₊ₓ·(z, 0, −x₁) − F₋ₓ·(z, 0, −x₂) + F₊ᵧ·(0, z, −y₁) − F₋ᵧ·(0, z, −y₂)].
func (r Rectangle) sum(p r3.Vec, s *[4]side) r3.Vec {
	k := Mu0 / (4 * math.Pi) * r.Turns
	x1, x2, y1, y2 := p.X-r.Width/2, p.X+r.Width/2, p.Y-r.Height/2, p.Y+r.Height/2
	return r3.Vec{
		X: k * p.Z * (s[0].f - s[1].f),
		Y: k * p.Z * (s[2].f - s[3].f),
		Z: k * (x2*s[1].f - x1*s[0].f + y2*s[3].f - y1*s[2].f),
	}
}

// sides returns the sides at x = Width/2, x = −Width/2, y = Height/2,
// y = −Height/2; ok = false on the conductor.
func (r Rectangle) sides(p r3.Vec) (s [4]side, ok bool) {
	x1, x2, y1, y2 := p.X-r.Width/2, p.X+r.Width/2, p.Y-r.Height/2, p.Y+r.Height/2
	z2 := p.Z * p.Z
	dx1, dx2, dy1, dy2 := x1*x1+z2, x2*x2+z2, y1*y1+z2, y2*y2+z2
	r11, r12 := math.Sqrt(dx1+y1*y1), math.Sqrt(dx1+y2*y2)
	r21, r22 := math.Sqrt(dx2+y1*y1), math.Sqrt(dx2+y2*y2)
	i11, i12, i21, i22 := 1/r11, 1/r12, 1/r21, 1/r22
	w, h := r.Width, r.Height
	s[0], ok = newSide(h, y2, y1, dx1, r12, r11, i12, i11)
	if !ok {
		return s, false
	}
	s[1], ok = newSide(h, y2, y1, dx2, r22, r21, i22, i21)
	if !ok {
		return s, false
	}
	s[2], ok = newSide(w, x2, x1, dy1, r21, r11, i21, i11)
	if !ok {
		return s, false
	}
	s[3], ok = newSide(w, x2, x1, dy2, r22, r12, i22, i12)
	return s, ok
}

// side is a segment (see there) along a coordinate: s1 and s2 are the field
// point's coordinates from its two ends, s1 > s2.
type side struct {
	s1, s2, d2, r1, r2, i1, i2 float64 // i1 = 1/r1
	f, iq                      float64 // F; 1/q
}

func newSide(length, s1, s2, d2, r1, r2, i1, i2 float64) (g side, ok bool) {
	near := nearSegment * length
	if r1 <= near || r2 <= near || s1 > 0 && s2 < 0 && d2 <= near*near {
		return g, false
	}
	dot, product := s1*s2+d2, r1*r2
	var iq float64
	if dot < 0 {
		iq = (product - dot) / (length * length * d2)
	} else {
		iq = 1 / (product + dot)
	}
	return side{s1, s2, d2, r1, r2, i1, i2, length * (r1 + r2) * i1 * i2 * iq, iq}, true
}

// across returns G with ∂F/∂u = G·u for both coordinates u square to the side.
func (g *side) across() float64 {
	sum := g.r1 + g.r2
	return g.f * (g.i1*g.i2*(1-sum*sum*g.iq) - g.i1*g.i1 - g.i2*g.i2)
}

// along returns ∂F/∂s.
func (g *side) along() float64 {
	var e float64 // s1/R1 + s2/R2, see segment.slope
	if g.s1 > 0 && g.s2 < 0 {
		e = g.d2 * (g.i2/(g.r2-g.s2) - g.i1/(g.r1+g.s1))
	} else {
		e = g.s1*g.i1 + g.s2*g.i2
	}
	sum := g.r1 + g.r2
	return g.f * ((1/sum-sum*g.iq)*e - g.s1*g.i1*g.i1 - g.s2*g.i2*g.i2)
}

// layer sums n×n dipoles, spread over the area.
func (r Rectangle) layer(n int, p r3.Vec) (b r3.Vec, j Jacobian) {
	rule := gaussRules()[n]
	k := r.Turns * r.Width * r.Height / 4
	for i, u := range rule.x {
		for l, v := range rule.x {
			addDipole(&b, &j, r3.Vec{Z: k * rule.w[i] * rule.w[l]}, r3.Sub(p, r3.Vec{X: u * r.Width / 2, Y: v * r.Height / 2}))
		}
	}
	return b, j
}
