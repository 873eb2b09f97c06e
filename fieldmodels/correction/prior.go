package correction

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// prior is the covariance of a correction's coefficients for an amplitude of
// one: its trace is one.
type prior struct {
	inverse *mat.SymDense
	logDet  float64
}

func newPrior(s Smoothness) (*prior, error) {
	cov := s.covariance()
	terms := cov.SymmetricDim()
	trace := mat.Trace(cov)
	for i := range terms {
		for k := i; k < terms; k++ {
			cov.SetSym(i, k, cov.At(i, k)/trace)
		}
		cov.SetSym(i, i, cov.At(i, i)*(1+1e-9)) // over the rounding
	}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		return nil, errors.New("correction: the prior of the coefficients is not positive definite")
	}
	p := &prior{inverse: mat.NewSymDense(terms, nil), logDet: chol.LogDet()}
	return p, chol.InverseTo(p.inverse)
}

// directions is how many positions stand for all of the sphere: several for each
// coefficient of degree 12.
const directions = 300

// covariance is that of the coefficients of dipoles in all directions, as dense
// everywhere on the sphere, but for a factor.
func (s Smoothness) covariance() *mat.SymDense {
	terms := termsOf(s.Degree)
	fields, three := mat.NewDense(terms, 3*directions, nil).RawMatrix(), [3][]float64{make([]float64, terms), make([]float64, terms), make([]float64, terms)}
	h, nearest := r3.Norm(s.Shift), 1/s.Falloff
	radius := nearest + h
	golden := math.Pi * (3 - math.Sqrt(5))
	for i := range directions { // a spiral of equal solid angles
		z := 1 - (2*float64(i)+1)/directions
		sin, cos := math.Sincos(golden * float64(i))
		rho := math.Sqrt(1 - z*z)
		u := r3.Vec{X: rho * cos, Y: rho * sin, Z: z}
		// |d·u − Shift| = radius, and radius² − h² = nearest² + 2·h·nearest.
		along := r3.Dot(u, s.Shift)
		root := math.Sqrt(nearest*(nearest+2*h) + along*along)
		d := along + root
		if along < 0 {
			d = nearest * (nearest + 2*h) / (root - along)
		}
		dipoles(r3.Scale(d, u), s.Degree, &three)
		size := d * math.Sqrt(radius/root) // root of area over solid angle
		for k := range terms {
			to := fields.Data[k*fields.Stride+3*i:][:3]
			to[0], to[1], to[2] = size*three[0][k], size*three[1][k], size*three[2][k]
		}
	}
	cov := mat.NewSymDense(terms, nil)
	addSquare(1, cov.RawSymmetric(), fields)
	return cov
}

var factorials = func() (f [2*MaxDegree + 1]float64) {
	f[0] = 1
	for n := 1; n < len(f); n++ {
		f[n] = f[n-1] * float64(n)
	}
	return f
}()

// dipoles writes the coefficients of the fields of dipoles along x, y and z at s
// [radii of the ball, from its centre], but for a common factor: with
//
//	1/|r − s| = Σ R(l,m)(r)·conj I(l,m)(s), I(l,m) = (l−m)!·(l+m)!·R(l,m)(s)/|s|^(2l+1)
//
// (Epton and Dembart, see table), a dipole's potential is the gradient by s.
func dipoles(s r3.Vec, degree int, out *[3][]float64) {
	var t table
	t.fill(s, degree)
	r2 := r3.Dot(s, s)
	at := []float64{s.X, s.Y, s.Z}
	power := math.Sqrt(r2)
	for l := 1; l <= degree; l++ {
		power *= r2 // |s|^(2l+1)
		back := float64(2*l+1) / r2
		for m := 0; m <= l; m++ {
			f := factorials[l-m] * factorials[l+m] / (power * norms[l][m])
			if m > 0 {
				f *= 2 // and its conjugate of −m
			}
			x, y, z := t.gradient(l, m)
			k, v := term(l, m), t[index(l, m)]
			for axis, g := range []complex128{x, y, z} {
				out[axis][k] = f * (real(g) - back*real(v)*at[axis])
				if m > 0 {
					out[axis][k+1] = f * (imag(g) - back*imag(v)*at[axis])
				}
			}
		}
	}
}
