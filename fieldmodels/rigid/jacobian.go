package rigid

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// RightJacobian returns Jr(w): Exp(w+d) = Exp(w)·Exp(Jr(w)·d) to first order in d.
//
// Source: Solà, Deray, Atchuthan, A micro Lie theory for state estimation in
// robotics, arXiv:1812.01537 (2018), eq. (143).
func RightJacobian(w r3.Vec) [3][3]float64 {
	b, c := jacobianTerms(r3.Dot(w, w))
	return skewPolynomial(w, -b, c)
}

// LeftJacobian returns Jl(w) = Jr(−w): Exp(w+d) = Exp(Jl(w)·d)·Exp(w) to first
// order in d. Source: as RightJacobian, eq. (145).
func LeftJacobian(w r3.Vec) [3][3]float64 {
	b, c := jacobianTerms(r3.Dot(w, w))
	return skewPolynomial(w, b, c)
}

// RightJacobianInverse returns Jr(w)⁻¹, exact to rounding for |w| ≤ π; it has a
// pole at |w| = 2π. Source: as RightJacobian, eq. (144).
func RightJacobianInverse(w r3.Vec) [3][3]float64 {
	return skewPolynomial(w, 0.5, inverseTerm(r3.Dot(w, w)))
}

// LeftJacobianInverse returns Jl(w)⁻¹ = Jr(−w)⁻¹. Source: as RightJacobian, eq. (146).
func LeftJacobianInverse(w r3.Vec) [3][3]float64 {
	return skewPolynomial(w, -0.5, inverseTerm(r3.Dot(w, w)))
}

// jacobianTerms returns (1−cos θ)/θ² and (θ−sin θ)/θ³ for t2 = θ².
func jacobianTerms(t2 float64) (b, c float64) {
	if t2 < 0.1 {
		// Taylor; the first terms left out are below 2e-16 of the sums at θ² = 0.1.
		b = 1. / 2 * (1 - t2/12*(1-t2/30*(1-t2/56*(1-t2/90*(1-t2/132)))))
		c = 1. / 6 * (1 - t2/20*(1-t2/42*(1-t2/72*(1-t2/110*(1-t2/156)))))
		return b, c
	}
	t := math.Sqrt(t2)
	s := math.Sin(t / 2)
	return 2 * s * s / t2, (t - math.Sin(t)) / (t2 * t)
}

// inverseTerm returns 1/θ² − (1+cos θ)/(2θ sin θ) for t2 = θ².
func inverseTerm(t2 float64) float64 {
	if t2 < 0.1 {
		// Bernoulli numbers: Σ |B_2k| θ^(2k−2)/(2k)!; the next term is 1e-16 of the sum.
		return 1./12 + t2*(1./720+t2*(1./30240+t2*(1./1209600+t2*(1./47900160+t2*(691./1307674368000+t2/74724249600)))))
	}
	t := math.Sqrt(t2)
	s, c := math.Sincos(t / 2)
	return 1/t2 - c/(2*t*s)
}

// skewPolynomial returns I + b·[w]× + c·[w]×².
func skewPolynomial(w r3.Vec, b, c float64) [3][3]float64 {
	x, y, z := w.X, w.Y, w.Z
	return [3][3]float64{
		{1 - c*(y*y+z*z), c*x*y - b*z, c*x*z + b*y},
		{c*x*y + b*z, 1 - c*(x*x+z*z), c*y*z - b*x},
		{c*x*z - b*y, c*y*z + b*x, 1 - c*(x*x+y*y)},
	}
}

// MulVec returns m·v.
func MulVec(m *[3][3]float64, v r3.Vec) r3.Vec {
	return r3.Vec{
		X: m[0][0]*v.X + m[0][1]*v.Y + m[0][2]*v.Z,
		Y: m[1][0]*v.X + m[1][1]*v.Y + m[1][2]*v.Z,
		Z: m[2][0]*v.X + m[2][1]*v.Y + m[2][2]*v.Z,
	}
}

// TransMulVec returns mᵀ·v: the way back for a rotation.
func TransMulVec(m *[3][3]float64, v r3.Vec) r3.Vec {
	return r3.Vec{
		X: m[0][0]*v.X + m[1][0]*v.Y + m[2][0]*v.Z,
		Y: m[0][1]*v.X + m[1][1]*v.Y + m[2][1]*v.Z,
		Z: m[0][2]*v.X + m[1][2]*v.Y + m[2][2]*v.Z,
	}
}
