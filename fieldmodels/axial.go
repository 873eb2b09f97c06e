package fieldmodels

import "gonum.org/v1/gonum/spatial/r3"

// axial is a source that is symmetric about its own axis Z. Its field at
// distance ρ = √s from the axis and height z is
//
//	B = g·(x, y, 0) + bz·(0, 0, 1),
//
// which needs no division by ρ, so that the axis is a point like any other.
type axial interface {
	Source
	axialField(s, z float64) (bz, g float64, err error)
	axialGradient(s, z float64) (axialJet, error)
}

// axialJet is the field of an axial source with its first derivatives.
type axialJet struct {
	bz, g float64 // B_z; B_ρ/ρ
	h     float64 // (∂g/∂ρ)/ρ
	gz    float64 // ∂g/∂z = (∂B_z/∂ρ)/ρ
}

// field is B where w is the part of the field point's position square to the axis n.
func (a axialJet) field(n, w r3.Vec) r3.Vec { return axialVector(a.bz, a.g, n, w) }

func axialVector(bz, g float64, n, w r3.Vec) r3.Vec {
	return r3.Vec{X: g*w.X + bz*n.X, Y: g*w.Y + bz*n.Y, Z: g*w.Z + bz*n.Z}
}

// own is B and its Jacobian in the source's own frame, at (x, y) with s = x² + y².
func (a axialJet) own(x, y, s float64) (r3.Vec, Jacobian) {
	xy := a.h * x * y
	return r3.Vec{X: a.g * x, Y: a.g * y, Z: a.bz}, Jacobian{
		{a.g + a.h*x*x, xy, a.gz * x},
		{xy, a.g + a.h*y*y, a.gz * y},
		{a.gz * x, a.gz * y, -2*a.g - a.h*s},
	}
}

// along returns the Jacobian for an axis n, w being the part of the field
// point's position that is square to n: g(1−nnᵀ) + h wwᵀ + gz(w nᵀ + n wᵀ) + ∂B_z/∂z nnᵀ.
func (a axialJet) along(n, w r3.Vec, s float64) Jacobian {
	k := -3*a.g - a.h*s
	kn := r3.Vec{X: k*n.X + a.gz*w.X, Y: k*n.Y + a.gz*w.Y, Z: k*n.Z + a.gz*w.Z}
	hw := r3.Vec{X: a.h*w.X + a.gz*n.X, Y: a.h*w.Y + a.gz*n.Y, Z: a.h*w.Z + a.gz*n.Z}
	xy := kn.X*n.Y + hw.X*w.Y
	xz := kn.X*n.Z + hw.X*w.Z
	yz := kn.Y*n.Z + hw.Y*w.Z
	return Jacobian{
		{a.g + kn.X*n.X + hw.X*w.X, xy, xz},
		{xy, a.g + kn.Y*n.Y + hw.Y*w.Y, yz},
		{xz, yz, a.g + kn.Z*n.Z + hw.Z*w.Z},
	}
}
