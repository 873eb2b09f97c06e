package fieldmodels

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Dipole is a point coil at the origin of its own frame: the far field of every
// closed coil. Moment is turns × area vector [m²], the moment per ampere.
type Dipole struct{ Moment r3.Vec }

// Field returns B per ampere [T/A] at p [m]; at the origin itself
// ErrOnConductor.
//
// Source: Jackson, Classical Electrodynamics, 3rd ed., eq. (5.56).
func (d Dipole) Field(p r3.Vec) (r3.Vec, error) {
	r2 := r3.Dot(p, p)
	if r2 == 0 {
		return r3.Vec{}, ErrOnConductor
	}
	return dipoleField(d.Moment, p, r2), nil
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m].
func (d Dipole) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	r2 := r3.Dot(p, p)
	if r2 == 0 {
		return r3.Vec{}, Jacobian{}, ErrOnConductor
	}
	b, j := dipoleGradient(d.Moment, p, r2)
	return b, j, nil
}

// dipoleField returns μ0/(4π r³)·(3 r̂ (m·r̂) − m).
func dipoleField(m, r r3.Vec, r2 float64) r3.Vec {
	i2 := 1 / r2
	k := Mu0 / (4 * math.Pi) * i2 * math.Sqrt(i2)
	c := 3 * (m.X*r.X + m.Y*r.Y + m.Z*r.Z) * i2
	return r3.Vec{X: k * (c*r.X - m.X), Y: k * (c*r.Y - m.Y), Z: k * (c*r.Z - m.Z)}
}

// dipoleGradient adds ∂B_i/∂x_j = 3μ0/(4π r⁵)·(m_i r_j + r_i m_j + (m·r)(δ_ij − 5 r̂_i r̂_j)).
func dipoleGradient(m, r r3.Vec, r2 float64) (r3.Vec, Jacobian) {
	i2 := 1 / r2
	k := Mu0 / (4 * math.Pi) * i2 * math.Sqrt(i2)
	mr := m.X*r.X + m.Y*r.Y + m.Z*r.Z
	c := 3 * mr * i2
	b := r3.Vec{X: k * (c*r.X - m.X), Y: k * (c*r.Y - m.Y), Z: k * (c*r.Z - m.Z)}
	k3 := 3 * k * i2
	e := 5 * mr * i2
	xy := k3 * (m.X*r.Y + r.X*m.Y - e*r.X*r.Y)
	xz := k3 * (m.X*r.Z + r.X*m.Z - e*r.X*r.Z)
	yz := k3 * (m.Y*r.Z + r.Y*m.Z - e*r.Y*r.Z)
	return b, Jacobian{
		{k3 * (2*m.X*r.X + mr - e*r.X*r.X), xy, xz},
		{xy, k3 * (2*m.Y*r.Y + mr - e*r.Y*r.Y), yz},
		{xz, yz, k3 * (2*m.Z*r.Z + mr - e*r.Z*r.Z)},
	}
}

// addDipole adds the field and the derivative of a dipole at distance r.
func addDipole(b *r3.Vec, j *Jacobian, m, r r3.Vec) {
	db, dj := dipoleGradient(m, r, r3.Dot(r, r))
	*b = r3.Add(*b, db)
	j.add(1, &dj)
}
