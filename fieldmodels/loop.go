package fieldmodels

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Loop is a thin circular coil in its own frame: centre at the origin, axis +Z,
// current right-handed about it.
//
// The field is that of Simpson, Lane, Immer, Youngquist, Simple analytic
// expressions for the magnetic field of a circular current loop, NASA (2001),
// brought into a form without cancellation and without 0/0. With
//
//	a  radius,  s = x²+y²,  d = a²−s,  X = a²+s+z²,
//	b⁴ = (d−z²)² + 4a²z²   (product of the squares of the nearest and the
//	                        farthest distance to the wire)
//	h  = (X+b²)/2,  c = a²s/h,
//
// √h, b and √c are one Landen step of the complete elliptic integrals: the
// second members of their arithmetic-geometric mean. All of them are even in ρ.
// M is that mean's limit, σ = Σ 2^(n−1)·c_n²/c_1², n ≥ 1 (Abramowitz and Stegun,
// 17.6), and
//
//	B_z   = f·[d(2−t) + z²(2+t)],  t = σs/h
//	B_ρ/ρ = f·z·(4 − σX/h),        f = μ0·turns·a²/(4·M·b⁴).
//
// Every difference left keeps its leading digits on the axis (σ → 1, t → 0), in
// the far field (t → s/h ≤ 1) and at the wire (σ → 2 − 4/K, K a logarithm).
type Loop struct {
	Radius float64 // [m]
	Turns  float64
}

// nearWire is the distance to the wire, in radii, below which a field point
// counts as lying on it.
const nearWire = 1e-9

// Field returns B per ampere [T/A] at p [m] in the loop's own frame. Nearer than
// 1e-9 Radius to the wire it returns ErrOnConductor. The relative error is below
// 1e-14 from 1e-8 radii beside the wire to a million radii away, typically 3e-16;
// on and by the axis it is that of B_ρ itself too. A Radius that is not positive is ErrShape.
func (l Loop) Field(p r3.Vec) (r3.Vec, error) {
	if !(l.Radius > 0) {
		return r3.Vec{}, l.shapeless()
	}
	s, d := l.radial(p.X, p.Y)
	bz, g, err := l.ringField(s, d, p.Z)
	return r3.Vec{X: g * p.X, Y: g * p.Y, Z: bz}, err
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m] in the loop's
// own frame, both in closed form; errors as Field.
func (l Loop) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	if !(l.Radius > 0) {
		return r3.Vec{}, Jacobian{}, l.shapeless()
	}
	s, d := l.radial(p.X, p.Y)
	jet, err := l.ringGradient(s, d, p.Z)
	b, j := jet.own(p.X, p.Y, s)
	return b, j, err
}

func (l Loop) shapeless() error {
	return fmt.Errorf("%w: Loop.Radius = %g m must be positive", ErrShape, l.Radius)
}

func (l Loop) axialField(s, z float64) (bz, g float64, err error) {
	return l.ringField(s, l.Radius*l.Radius-s, z)
}

func (l Loop) axialGradient(s, z float64) (axialJet, error) {
	return l.ringGradient(s, l.Radius*l.Radius-s, z)
}

// radial returns s = x²+y² and d = a²−s, d rounded once: near the wire the
// field is as exact as the position is.
func (l Loop) radial(x, y float64) (s, d float64) {
	a := l.Radius
	aa, xx, yy := float64(a*a), float64(x*x), float64(y*y) // rounded here: none is fused into a sum
	s = xx + yy
	d = aa - s
	if math.Abs(d) > 0.1*aa {
		return s, d
	}
	// What the squares and their sum lost in rounding: two-product, two-sum.
	t := s - xx
	lost := math.FMA(a, a, -aa) - math.FMA(x, x, -xx) - math.FMA(y, y, -yy) - ((xx - (s - t)) + (yy - t))
	return s, d + lost
}

// ringField returns B_z and B_ρ/ρ.
func (l Loop) ringField(s, d, z float64) (bz, g float64, err error) {
	a2, z2 := l.Radius*l.Radius, z*z
	e := d - z2
	b4 := e*e + 4*a2*z2
	if b4 <= 4*nearWire*nearWire*a2*a2 {
		return 0, 0, ErrOnConductor
	}
	b2 := math.Sqrt(b4)
	x := a2 + s + z2
	h := 0.5 * (x + b2)
	ih := 1 / h
	c := a2 * s * ih
	im, tau := ringMean(h, b2, c)
	sh := (1 + c*tau) * ih // σ/h
	f := Mu0 / 4 * l.Turns * a2 * im / b4
	t := sh * s
	return f * (d*(2-t) + z2*(2+t)), f * z * (4 - sh*x), nil
}

// ringGradient adds the derivatives, in the terms of Loop's comment and
// g₂ = 2−σ, ε = b²/h, τ = (σ−1)/c:
//
//	∂(B_ρ/ρ)/∂z    = f·[4 − σX/h − z²·(X(4−σX/h) + 12(b² + c·g₂))/b⁴]
//	∂(B_ρ/ρ)/∂ρ/ρ  = 2f·z·T/b⁴
//	T = g₂·[4a²(d+z²+b²)/h + ε(a²−h)] + ε·[σ(10a²−X)/2 − 6h + a²(2−ε)(hτ−σ)]
//
// They follow from the field by Legendre's equation, which b⁴·P″ + 2X·P′ + P/4 = 0
// is for P = ∫dφ/R as a function of X.
func (l Loop) ringGradient(s, d, z float64) (axialJet, error) {
	a2, z2 := l.Radius*l.Radius, z*z
	e := d - z2
	if e*e+4*a2*z2 <= 4*nearWire*nearWire*a2*a2 {
		return axialJet{}, ErrOnConductor
	}
	return ringJet(a2, Mu0/4*l.Turns*a2, s, d, z), nil
}

// ringJet is ringGradient of a loop with a² and f0 = μ0/4·turns·a², at a point that is
// not on the wire.
func ringJet(a2, f0, s, d, z float64) axialJet {
	z2 := z * z
	e := d - z2
	b4 := e*e + 4*a2*z2
	b2 := math.Sqrt(b4)
	x := a2 + s + z2
	h := 0.5 * (x + b2)
	ih := 1 / h
	c := a2 * s * ih
	im, tau := ringMean(h, b2, c)
	sigma := 1 + c*tau
	sh := sigma * ih
	ib4 := 1 / b4
	f := f0 * im * ib4
	t := sh * s
	w := 4 - sh*x
	g2 := 2 - sigma
	eps := b2 * ih
	big := g2*(4*a2*ih*(d+z2+b2)+eps*(a2-h)) +
		eps*(0.5*sigma*(10*a2-x)-6*h+a2*(2-eps)*(h*tau-sigma))
	return axialJet{
		bz: f * (d*(2-t) + z2*(2+t)),
		g:  f * z * w,
		h:  2 * f * z * big * ib4,
		gz: f * (w - z2*(x*w+12*(b2+c*g2))*ib4),
	}
}

// ringMean carries the arithmetic-geometric mean on from the squares h, q of
// its members and the square c of their half difference. It returns 1/M and
// τ = Σ 2^(n−1)·c_n²/c², n ≥ 2, with c_1² = c.
//
// Squares need one root a step: h' = (h+q+2√(hq))/4, q' = √(hq),
// c_{n+1}² = c_n⁴/(16h'). The steps end at m = c_n²/h ≤ 2.5e-4, where what is
// left is the Taylor series of K and of 1−E/K in m; the first terms left out
// are 0.075·m⁴ < 3e-16.
func ringMean(h, q, c float64) (inverseMean, tau float64) {
	k := 1.0 // c_n²/c²
	w := 1.0 // 2^(n−1)
	cn := c  // c_n²
	for n := 0; ; n++ {
		r := math.Sqrt(h * q)
		h = 0.25*(h+q) + 0.5*r
		q = r
		i := 0.0625 / h
		if n == 0 {
			k = i
		} else {
			k *= cn * i
		}
		cn *= cn * i
		w += w
		m := 16 * i * cn
		if m > 2.5e-4 && n < 16 {
			tau += w * k
			continue
		}
		tau += w * k * (1 + m*(1./8+m*(1./16+m*(41./1024))))
		// 16·i = 1/h.
		return 4 * math.Sqrt(i) * (1 + m*(1./4+m*(9./64+m*(25./256)))), tau
	}
}
