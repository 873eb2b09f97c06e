package fieldmodels

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/variant"
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

// far reports whether the sides' fields would cancel.
func (r Rectangle) far(p r3.Vec) bool {
	return p.X*p.X+p.Y*p.Y+p.Z*p.Z >= farPolygon*farPolygon/4*(r.Width*r.Width+r.Height*r.Height)
}

// Field returns B per ampere [T/A] at p [m]. Nearer to a side than 1e-9 of its
// length it returns ErrOnConductor. The relative error is a few 1e-15, at most
// 3e-14 just within 40 half diagonals, and 2e-15 at any distance beyond.
func (r Rectangle) Field(p r3.Vec) (r3.Vec, error) {
	if r.far(p) {
		b, _ := r.layer(p)
		return b, nil
	}
	if rectangleSides != vectorsNone {
		if b, ok := rectangleVectors(p, r.Width, r.Height, Mu0/(4*math.Pi)*r.Turns); ok {
			return b, nil
		}
	}
	var s sides
	if !seeSidesGo(&s, p, r.Width, r.Height) {
		return r3.Vec{}, ErrOnConductor
	}
	return s.field(p, r.Turns), nil
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m]; errors as
// Field.
func (r Rectangle) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	if r.far(p) {
		b, j := r.layer(p)
		return b, j, nil
	}
	var s sides
	if !s.see(r, p) {
		return r3.Vec{}, Jacobian{}, ErrOnConductor
	}
	k := Mu0 / (4 * math.Pi) * r.Turns
	kz, z2 := k*p.Z, p.Z*p.Z
	var right, left, upper, lower side
	s.side(&right, 0, r.Height, s.x1, s.y2, s.y1, z2)
	s.side(&left, 1, r.Height, s.x2, s.y2, s.y1, z2)
	s.side(&upper, 2, r.Width, s.y1, s.x2, s.x1, z2)
	s.side(&lower, 3, r.Width, s.y2, s.x2, s.x1, z2)
	acrossRight, acrossLeft, acrossUpper, acrossLower := right.across(), left.across(), upper.across(), lower.across()
	xx := kz * (s.x1*acrossRight - s.x2*acrossLeft)
	yy := kz * (s.y1*acrossUpper - s.y2*acrossLower)
	xy := kz * (right.along() - left.along())
	xz := k * (right.f - left.f + z2*(acrossRight-acrossLeft))
	yz := k * (upper.f - lower.f + z2*(acrossUpper-acrossLower))
	return s.field(p, r.Turns), Jacobian{{xx, xy, xz}, {xy, yy, yz}, {xz, yz, -xx - yy}}, nil
}

// sides are those at x = Width/2, x = −Width/2, y = Height/2, y = −Height/2, as a field
// point sees them. For each, as a segment (see there) along a coordinate: F, and the
// distances to its ends, that with the lesser coordinate first.
type sides struct {
	f, r1, r2      [4]float64
	x1, x2, y1, y2 float64 // the field point's coordinates from the sides
}

// see fills s; false on the conductor.
func (s *sides) see(r Rectangle, p r3.Vec) bool {
	if rectangleSides != vectorsNone && seeSidesVectors(s, p, r.Width, r.Height) {
		return true
	}
	return seeSidesGo(s, p, r.Width, r.Height)
}

var (
	rectangleSides  = vectorsNone
	rectangleKernel = variant.New("fieldmodels.Rectangle", &rectangleSides)
)

// field is that of the four sides. With V of each as in segment, and F even under a
// reversal of the side's direction,
//
//	B = μ0/4π·[F₊ₓ·(z, 0, −x₁) − F₋ₓ·(z, 0, −x₂) + F₊ᵧ·(0, z, −y₁) − F₋ᵧ·(0, z, −y₂)].
func (s *sides) field(p r3.Vec, turns float64) r3.Vec {
	k := Mu0 / (4 * math.Pi) * turns
	f := &s.f
	return r3.Vec{
		X: k * p.Z * (f[0] - f[1]),
		Y: k * p.Z * (f[2] - f[3]),
		Z: k * (s.x2*f[1] - s.x1*f[0] + s.y2*f[3] - s.y1*f[2]),
	}
}

// seeSidesGo is the definition of the kernels, which leave to it what lies so close to
// the line of a side that it may be on the conductor.
func seeSidesGo(s *sides, p r3.Vec, w, h float64) bool {
	x1, x2, y1, y2, z2 := p.X-w/2, p.X+w/2, p.Y-h/2, p.Y+h/2, p.Z*p.Z
	s.x1, s.x2, s.y1, s.y2 = x1, x2, y1, y2
	dx1, dx2, dy1, dy2 := x1*x1+z2, x2*x2+z2, y1*y1+z2, y2*y2+z2
	r11, r12 := math.Sqrt(dx1+y1*y1), math.Sqrt(dx1+y2*y2)
	r21, r22 := math.Sqrt(dx2+y1*y1), math.Sqrt(dx2+y2*y2)
	s.r1, s.r2 = [4]float64{r12, r22, r21, r22}, [4]float64{r11, r21, r11, r12}
	return s.measure(0, h, y2, y1, dx1) && s.measure(1, h, y2, y1, dx2) && s.measure(2, w, x2, x1, dy1) && s.measure(3, w, x2, x1, dy2)
}

// measure fills F of a side, of which the field point's coordinates from the ends are
// s1 > s2, its square distance from the line d2.
func (s *sides) measure(i int, length, s1, s2, d2 float64) bool {
	near := nearSegment * length
	r1, r2 := s.r1[i], s.r2[i]
	if r1 <= near || r2 <= near || s1 > 0 && s2 < 0 && d2 <= near*near {
		return false
	}
	dot, product := s1*s2+d2, r1*r2
	if dot < 0 {
		s.f[i] = (r1 + r2) * (product - dot) / (product * (length * d2))
	} else {
		s.f[i] = (r1 + r2) * length / (product * (product + dot))
	}
	return true
}

// side is one of sides with what its derivatives need.
type side struct {
	s1, s2, d2, r1, r2, i1, i2 float64 // i1 = 1/r1
	f, iq                      float64 // F; 1/q
}

// side fills g with side i, u square to it.
func (s *sides) side(g *side, i int, length, u, s1, s2, z2 float64) {
	r1, r2, f := s.r1[i], s.r2[i], s.f[i]
	g.s1, g.s2, g.d2 = s1, s2, u*u+z2
	g.r1, g.r2, g.i1, g.i2 = r1, r2, 1/r1, 1/r2
	g.f, g.iq = f, f*r1*r2/(length*(r1+r2))
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

// layer sums dipoles that are spread over the area.
func (r Rectangle) layer(p r3.Vec) (b r3.Vec, j Jacobian) {
	rule := gaussRules()[layerPoints(2*r3.Norm(p)/math.Hypot(r.Width, r.Height))]
	k := r.Turns * r.Width * r.Height / 4
	for i, u := range rule.x {
		for l, v := range rule.x {
			addDipole(&b, &j, r3.Vec{Z: k * rule.w[i] * rule.w[l]}, r3.Sub(p, r3.Vec{X: u * r.Width / 2, Y: v * r.Height / 2}))
		}
	}
	return b, j
}
