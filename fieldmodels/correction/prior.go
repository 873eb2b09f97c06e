package correction

import (
	"errors"
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
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
	about := s.about()
	trace := 0.0
	for m, block := range about {
		trace += parts(m) * mat.Trace(block)
	}
	logDet := 0.0
	for m, block := range about {
		n := block.SymmetricDim()
		for i := range n {
			for k := i; k < n; k++ {
				block.SetSym(i, k, block.At(i, k)/trace)
			}
			block.SetSym(i, i, block.At(i, i)*(1+1e-9)) // over the rounding
		}
		var chol mat.Cholesky
		if !chol.Factorize(block) {
			return nil, errors.New("correction: the prior of the coefficients is not positive definite")
		}
		logDet += parts(m) * chol.LogDet()
		if err := chol.InverseTo(block); err != nil {
			return nil, err
		}
	}
	return &prior{inverse: s.turned(about), logDet: logDet}, nil
}

// parts is how many coefficients each degree has of order m.
func parts(m int) float64 {
	if m == 0 {
		return 1
	}
	return 2
}

// directions is how many positions stand for half a circle through the axis of the sphere.
const directions = 32

// directionsOf has cosines of angles to the axis, and the shares of the solid angle that
// these stand for.
var directionsOf = sync.OnceValues(func() (cosines, shares []float64) {
	cosines, shares = make([]float64, directions), make([]float64, directions)
	quad.Legendre{}.FixedLocations(cosines, shares, -1, 1)
	return cosines, shares
})

// covariance is that of the coefficients of dipoles in all directions, as dense
// everywhere on the sphere, but for a factor.
func (s Smoothness) covariance() *mat.SymDense { return s.turned(s.about()) }

// about is that covariance where the sphere is shifted along the axis z. Nothing changes
// when it turns about this axis, so that orders are independent of each other, cosine's and
// sine's parts too and alike: a block by the degrees for every order m, from max(1, m) on.
func (s Smoothness) about() []*mat.SymDense {
	blocks := make([]*mat.SymDense, s.Degree+1)
	for m := range blocks {
		blocks[m] = mat.NewSymDense(s.Degree+1-max(1, m), nil)
	}
	terms := termsOf(s.Degree)
	field := [3][]float64{make([]float64, terms), make([]float64, terms), make([]float64, terms)}
	h, nearest := r3.Norm(s.Shift), 1/s.Falloff
	radius := nearest + h
	cosines, shares := directionsOf()
	for i, z := range cosines {
		u := r3.Vec{X: math.Sqrt(1 - z*z), Z: z}
		// |d·u − Shift| = radius, and radius² − h² = nearest² + 2·h·nearest.
		along := h * z
		root := math.Sqrt(nearest*(nearest+2*h) + along*along)
		d := along + root
		if along < 0 {
			d = nearest * (nearest + 2*h) / (root - along)
		}
		dipoles(r3.Scale(d, u), s.Degree, &field)
		share := shares[i] * d * d * radius / root // area over solid angle
		for m, block := range blocks {
			n, first := block.SymmetricDim(), max(1, m)
			for l := range n {
				for k := l; k < n; k++ {
					// Turned all around, a cosine's part is half of either at azimuth 0.
					sum := 0.0
					for _, f := range field {
						a, b := term(first+l, m), term(first+k, m)
						sum += f[a] * f[b]
						if m > 0 {
							sum += f[a+1] * f[b+1]
						}
					}
					block.SetSym(l, k, block.At(l, k)+share/parts(m)*sum)
				}
			}
		}
	}
	return blocks
}

// turned is a matrix of coefficients, given by order about an axis, where this axis is that of
// the sphere's shift.
func (s Smoothness) turned(about []*mat.SymDense) *mat.SymDense {
	turn := turning(s.Shift, s.Degree)
	out := mat.NewSymDense(termsOf(s.Degree), nil)
	raw := out.RawSymmetric()
	var left [2*MaxDegree + 1]float64
	for l := 1; l <= s.Degree; l++ {
		for k := l; k <= s.Degree; k++ {
			for i := range 2*l + 1 {
				from := turn[l][i*(2*l+1):][:2*l+1]
				for at := range from {
					m := (at + 1) / 2
					left[at] = from[at] * about[m].At(l-max(1, m), k-max(1, m))
				}
				row := raw.Data[(term(l, 0)+i)*raw.Stride+term(k, 0):]
				for j := range 2*k + 1 {
					sum := 0.0
					for at, v := range turn[k][j*(2*k+1):][:2*l+1] {
						sum += left[at] * v
					}
					row[j] = sum
				}
			}
		}
	}
	return out
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
