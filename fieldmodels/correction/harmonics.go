// Package correction describes what static metal near a bench adds to the
// emitters' fields: inside a volume without metal or currents, a magnetic field
// is the gradient of a potential that solves Laplace's equation, a sum of solid
// harmonics, whatever the metal outside looks like.
//
// Harmonics is such a field as a fieldmodels.Source. Fit finds one for each
// emitter from couplings that the model of the bench does not explain, as a
// Gaussian process whose samples are such fields; how smooth it is, is chosen
// by cross-validation. The Map tells its own uncertainty, which grows outside
// of what was mapped.
package correction

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
)

// MaxDegree bounds the degree of a potential.
const MaxDegree = 8

// Terms is the number of harmonics of degrees 1 to degree.
func Terms(degree int) int { return degree * (degree + 2) }

// Harmonics is a field without sources about Center: B = Σ c·∇u(S), with S the
// real solid harmonics of u = (p − Center)/Radius, each scaled so that the mean
// square of its gradient over the sphere |u| = 1 is one. Coefficients [T/A] are
// in the order of degree l = 1, 2, …; within it m = 0, then cosine and sine of
// m = 1 to l.
type Harmonics struct {
	Center       r3.Vec    // [m], rig frame
	Radius       float64   // [m], of the mapped volume
	Coefficients []float64 // [T/A], Terms(degree) of them
}

// Field returns B per ampere [T/A] at p [m]. It has no errors.
func (h *Harmonics) Field(p r3.Vec) (r3.Vec, error) {
	var t table
	u := r3.Scale(1/h.Radius, r3.Sub(p, h.Center))
	t.fill(u, degreeOf(len(h.Coefficients)))
	var b r3.Vec
	k := 0
	for l := 1; k < len(h.Coefficients); l++ {
		for m := 0; m <= l; m++ {
			x, y, z := t.gradient(l, m)
			n := norms[l][m]
			c := n * h.Coefficients[k]
			b = r3.Add(b, r3.Vec{X: c * real(x), Y: c * real(y), Z: c * real(z)})
			k++
			if m > 0 {
				c := n * h.Coefficients[k]
				b = r3.Add(b, r3.Vec{X: c * imag(x), Y: c * imag(y), Z: c * imag(z)})
				k++
			}
		}
	}
	return b, nil
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m]. It has no
// errors.
func (h *Harmonics) Gradient(p r3.Vec) (r3.Vec, fieldmodels.Jacobian, error) {
	var t table
	u := r3.Scale(1/h.Radius, r3.Sub(p, h.Center))
	t.fill(u, degreeOf(len(h.Coefficients)))
	var b r3.Vec
	var xx, xy, xz, yz, zz float64
	k := 0
	for l := 1; k < len(h.Coefficients); l++ {
		for m := 0; m <= l; m++ {
			x, y, z := t.gradient(l, m)
			dxx, dxy, dxz, dyz, dzz := t.second(l, m)
			n := norms[l][m]
			c := n * h.Coefficients[k]
			k++
			s := 0.0
			if m > 0 {
				s = n * h.Coefficients[k]
				k++
			}
			b = r3.Add(b, r3.Vec{X: c*real(x) + s*imag(x), Y: c*real(y) + s*imag(y), Z: c*real(z) + s*imag(z)})
			xx += c*real(dxx) + s*imag(dxx)
			xy += c*real(dxy) + s*imag(dxy)
			xz += c*real(dxz) + s*imag(dxz)
			yz += c*real(dyz) + s*imag(dyz)
			zz += c*real(dzz) + s*imag(dzz)
		}
	}
	j := fieldmodels.Jacobian{{xx, xy, xz}, {xy, -xx - zz, yz}, {xz, yz, zz}}
	for i := range j {
		for k := range j[i] {
			j[i][k] /= h.Radius
		}
	}
	return b, j, nil
}

// basis writes the fields of all terms at u, for coefficients of one.
func basis(u r3.Vec, degree int, out []r3.Vec) {
	var t table
	t.fill(u, degree)
	k := 0
	for l := 1; l <= degree; l++ {
		for m := 0; m <= l; m++ {
			x, y, z := t.gradient(l, m)
			n := norms[l][m]
			out[k] = r3.Vec{X: n * real(x), Y: n * real(y), Z: n * real(z)}
			k++
			if m > 0 {
				out[k] = r3.Vec{X: n * imag(x), Y: n * imag(y), Z: n * imag(z)}
				k++
			}
		}
	}
}

// degreeOf inverts Terms.
func degreeOf(terms int) int {
	for l := range MaxDegree + 1 {
		if Terms(l) == terms {
			return l
		}
	}
	panic("correction: Harmonics.Coefficients must be Terms of a degree up to MaxDegree")
}

// table holds the regular solid harmonics R(l, m) = r^l·P(l,m)(cos θ)·e^{jmφ}/(l+m)!
// with the phase of Condon and Shortley, m ≥ 0. In this scale derivatives are
// harmonics again:
//
//	∂z R(l,m) = R(l−1,m)   (∂x + j∂y) R(l,m) = R(l−1,m+1)   (∂x − j∂y) R(l,m) = −R(l−1,m−1)
//
// Source: Epton and Dembart, SIAM J. Sci. Comput. 16, 1995 (recalled, not seen;
// the tests check against differences).
type table [MaxDegree + 1][MaxDegree + 1]complex128

func (t *table) fill(u r3.Vec, degree int) {
	xy, r2 := complex(u.X, u.Y), r3.Dot(u, u)
	t[0][0] = 1
	for l := 1; l <= degree; l++ {
		t[l][l] = -xy / complex(2*float64(l), 0) * t[l-1][l-1]
		for m := range l {
			v := complex(float64(2*l-1)*u.Z, 0) * t[l-1][m]
			if l > m+1 {
				v -= complex(r2, 0) * t[l-2][m]
			}
			t[l][m] = v / complex(float64(l*l-m*m), 0)
		}
	}
}

// at is R(l, m) for any m: R(l,−m) = (−1)^m·conj R(l,m), 0 beyond |m| = l.
func (t *table) at(l, m int) complex128 {
	switch {
	case l < 0 || m > l || -m > l:
		return 0
	case m >= 0:
		return t[l][m]
	}
	v := t[l][-m]
	v = complex(real(v), -imag(v))
	if m%2 != 0 {
		v = -v
	}
	return v
}

func (t *table) gradient(l, m int) (x, y, z complex128) {
	up, down := t.at(l-1, m+1), -t.at(l-1, m-1)
	return (up + down) / 2, (up - down) / 2i, t.at(l-1, m)
}

// second are the second derivatives; that by y twice follows from Laplace.
func (t *table) second(l, m int) (xx, xy, xz, yz, zz complex128) {
	upup, updown, downdown := t.at(l-2, m+2), -t.at(l-2, m), t.at(l-2, m-2)
	up, down := t.at(l-2, m+1), -t.at(l-2, m-1)
	return (upup + 2*updown + downdown) / 4, (upup - downdown) / 4i, (up + down) / 2, (up - down) / 2i, t.at(l-2, m)
}

// norms scale R(l,m), or its real or imaginary part, to a gradient of unit mean
// square on the unit sphere: the mean of |∇(r^l·Y)|² there is l(2l+1) times that
// of Y², which is 1/((2l+1)(l+m)!(l−m)!) for R and half of it for a part.
var norms = func() (n [MaxDegree + 1][MaxDegree + 1]float64) {
	for l := 1; l <= MaxDegree; l++ {
		for m := 0; m <= l; m++ {
			parts := 2.0
			if m == 0 {
				parts = 1
			}
			n[l][m] = math.Sqrt(parts * math.Gamma(float64(l+m+1)) * math.Gamma(float64(l-m+1)) / float64(l))
		}
	}
	return n
}()
