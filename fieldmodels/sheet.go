package fieldmodels

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Sheet is a single-layer coil in its own frame, taken as a current sheet
// without pitch: a cylinder about the Z axis, from −Length/2 to Length/2, the
// turns spread evenly.
//
// Away from the coil its field is the Gauss–Legendre sum of loops over the
// length, with as many (2 to 16) as bound the error below rounding; the closed
// form would cancel there. Close to the coil it is the closed form of Derby,
// Olbert, Cylindrical magnets and ideal solenoids, Am. J. Phys. 78 (2010), with
// B_ρ/ρ as the difference of the vector potentials of the two end loops.
type Sheet struct {
	Radius float64 // [m]
	Length float64 // [m]
	Turns  float64
}

// Field returns B per ampere [T/A] at p [m]. Nearer than 1e-9 Radius to the
// sheet it returns ErrOnConductor. The error is below 1e-14 of |B|, beside the
// sheet 1e-14 of the field inside; in the last 1e-3 Radius before an edge
// rounding of the position dominates.
func (c Sheet) Field(p r3.Vec) (r3.Vec, error) {
	bz, g, err := c.axialField(p.X*p.X+p.Y*p.Y, p.Z)
	return r3.Vec{X: g * p.X, Y: g * p.Y, Z: bz}, err
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m]; errors as
// Field. In the closed form, ∂B/∂z is the difference of the end loops' fields.
func (c Sheet) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	s := p.X*p.X + p.Y*p.Y
	jet, err := c.axialGradient(s, p.Z)
	b, j := jet.own(p.X, p.Y, s)
	return b, j, err
}

func (c Sheet) axialField(s, z float64) (bz, g float64, err error) {
	if c.on(s, z) {
		return 0, 0, ErrOnConductor
	}
	bz, g = c.sheetField(s, z)
	return bz, g, nil
}

func (c Sheet) axialGradient(s, z float64) (axialJet, error) {
	if c.on(s, z) {
		return axialJet{}, ErrOnConductor
	}
	return c.sheetGradient(s, z)
}

func (c Sheet) on(s, z float64) bool {
	near := nearWire * c.Radius
	return math.Abs(z) <= c.Length/2+near && math.Abs(math.Sqrt(s)-c.Radius) <= near
}

// loops is the sheet as a section of a coil, and how many loops stand for it at a field
// point; more than gaussLimit where only the closed form is exact.
func (c Sheet) loops(s, z float64) (section, int) {
	n := gaussPoints(0, c.Length/2, z, math.Sqrt(s)-c.Radius)
	return section{middle: c.Radius, length: c.Length / 2, current: Mu0 * c.Turns, s: s, z: z}, n
}

// sheetField is the field without regard to ErrOnConductor; on the sheet itself
// it is the mean of both sides.
func (c Sheet) sheetField(s, z float64) (bz, g float64) {
	a, half := c.Radius, c.Length/2
	rho := math.Sqrt(s)
	if all, n := c.loops(s, z); n <= gaussLimit {
		return all.field(1, n)
	}
	k := Mu0 * c.Turns / c.Length
	top, bottom := z+half, z-half
	bz = k * a / (math.Pi * (a + rho)) * (sheetEnd(a, rho, top) - sheetEnd(a, rho, bottom))
	g = k * a * a / 4 * (loopPotential(a, s, bottom) - loopPotential(a, s, top))
	return bz, g
}

func (c Sheet) sheetGradient(s, z float64) (axialJet, error) {
	a, half := c.Radius, c.Length/2
	if all, n := c.loops(s, z); n <= gaussLimit {
		return all.gradient(1, n), nil
	}
	var jet axialJet
	jet.bz, jet.g = c.sheetField(s, z)
	loop := Loop{Radius: a, Turns: c.Turns / c.Length}
	topBz, topG, err := loop.axialField(s, z+half)
	if err != nil {
		return axialJet{}, err
	}
	bottomBz, bottomG, err := loop.axialField(s, z-half)
	if err != nil {
		return axialJet{}, err
	}
	jet.gz = topG - bottomG
	// div B = 0: 2g + s·h + ∂B_z/∂z = 0. So close to the axis that s·h is below
	// the rounding of g, the quotient would be noise that counts for nothing.
	if s > 1e-17*a*a {
		jet.h = -(2*jet.g + topBz - bottomBz) / s
	}
	return jet, nil
}

// add adds k·o to a.
func (a *axialJet) add(k float64, o axialJet) {
	a.bz += k * o.bz
	a.g += k * o.g
	a.h += k * o.h
	a.gz += k * o.gz
}

// sheetEnd returns u/α·C(k_c, γ², 1, γ), α² = u²+(a+ρ)², k_c = β/α with β² =
// u²+(a−ρ)², γ = (a−ρ)/(a+ρ): one end, at distance u, of the half-infinite
// sheets whose difference is the coil.
func sheetEnd(a, rho, u float64) float64 {
	sum, diff := a+rho, a-rho
	alpha := math.Sqrt(u*u + sum*sum)
	kc := math.Sqrt(u*u+diff*diff) / alpha
	if kc == 0 {
		return 0
	}
	gamma := diff / sum
	if gamma == 0 {
		// Mean of the limits from inside and outside.
		return u / alpha * cel(kc, 1, 1, 1)
	}
	return u / alpha * cel(kc, gamma*gamma, 1, gamma)
}

// loopPotential returns σ/(M·h) in the terms of Loop: the vector potential of a
// loop of radius a is A_φ/ρ = μ0·a²/4 of it.
func loopPotential(a, s, z float64) float64 {
	a2, z2 := a*a, z*z
	e := a2 - s - z2
	b2 := math.Sqrt(e*e + 4*a2*z2)
	h := 0.5 * (a2 + s + z2 + b2)
	c := a2 * s / h
	im, tau := ringMean(h, b2, c)
	return im * (1 + c*tau) / h
}

// cel is Bulirsch's general complete elliptic integral for p > 0,
//
//	∫ (a·cos²φ + b·sin²φ) / ((cos²φ + p·sin²φ)·√(cos²φ + kc²·sin²φ)) dφ, 0..π/2.
//
// Source: Bulirsch, Numerical calculation of elliptic integrals and elliptic
// functions III, Numer. Math. 13 (1969), procedure cel.
func cel(kc, p, a, b float64) float64 {
	k := kc
	em := 1.0
	p = math.Sqrt(p)
	b /= p
	f := a
	a += b / p
	g := k / p
	b = 2 * (b + f*g)
	p += g
	g = em
	em += k
	for math.Abs(g-k) > 1e-8*g {
		k = 2 * math.Sqrt(k*g)
		e := k * em
		f = a
		a += b / p
		g = e / p
		b = 2 * (b + f*g)
		p += g
		g = em
		em += k
	}
	return math.Pi / 2 * (b + a*em) / (em * (em + p))
}
