// Package correction describes what static metal near a bench adds to the
// emitters' fields: inside a volume without metal or currents, a magnetic field
// is the gradient of a potential that solves Laplace's equation, a sum of solid
// harmonics, whatever the metal outside looks like.
//
// Harmonics is such a field as a fieldmodels.Source. Fit finds one for each
// emitter from couplings that the model of the bench does not explain, as a
// Gaussian process whose samples are such fields, together with what errors of
// the bench and of the stations' poses would do in its place. Where the metal is
// and how near, the evidence of the couplings says. The Map has the covariance
// of all of it, held against predictions of stations that were left out; it
// grows outside of what was mapped.
//
//	m, err := correction.Fit(&correction.Bench{…}, correction.Options{})
//	lacks := m.Source(emitter)	// add it to the emitter's own field: fieldmodels.Sum
//	m.Propagate(…)			// what the map's errors do to couplings
//
// Places are in metres and fields in T/A, both in the rig frame; residuals are in sigmas.
package correction

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
)

// MaxDegree bounds the degree of a potential.
const MaxDegree = 12

// termsOf is the number of harmonics of degrees 1 to degree.
func termsOf(degree int) int { return degree * (degree + 2) }

// term is the coefficient of degree l and order m, the cosine's of two.
func term(l, m int) int { return termsOf(l-1) + max(0, 2*m-1) }

// Harmonics is a field without sources about a centre: B = Σ c·∇u(S), with S the
// real solid harmonics of u = (p − centre)/radius, each scaled so that the mean
// square of its gradient over the sphere |u| = 1 is one.
type Harmonics struct {
	center r3.Vec
	scale  float64 // 1/radius [1/m]
	degree int     // of the potential
	// parts are the expansions of B's components, and of ∂B/∂u: xx, xy, xz, yz, zz. They lie
	// side by side, so that their sums go on together.
	parts [][fields + slopes]complex128
}

// fields and slopes are how many of a field's components, and of their derivatives, tell all.
const (
	fields = 3
	slopes = 5
)

// newHarmonics makes the field about center [m] of the given coefficients [T/A],
// termsOf(degree) of them: in the order of degree l = 1, 2, …; within it m = 0, then
// cosine and sine of m = 1 to l. It panics on any other number.
func newHarmonics(center r3.Vec, radius float64, coefficients []float64) *Harmonics {
	degree, ok := degreeOf(len(coefficients))
	if !ok {
		panic("correction: the number of coefficients must be termsOf of a degree up to MaxDegree")
	}
	h := &Harmonics{center: center, scale: 1 / radius, degree: degree}
	potential := newExpansion(h.degree)
	for l := 1; l <= h.degree; l++ {
		for m := 0; m <= l; m++ {
			c, s := coefficients[term(l, m)], 0.0
			if m > 0 {
				s = coefficients[term(l, m)+1]
			}
			potential[index(l, m)] = complex(norms[l][m]*c, -norms[l][m]*s)
		}
	}
	var field [fields]expansion
	for axis := range field {
		field[axis] = potential.derive(h.degree, axis)
	}
	h.parts = make([][fields + slopes]complex128, len(field[0]))
	for axis, e := range field {
		for i, a := range e {
			h.parts[i][axis] = a
		}
	}
	for k, by := range [slopes][2]int{{0, 0}, {0, 1}, {0, 2}, {1, 2}, {2, 2}} {
		for i, a := range field[by[0]].derive(h.degree-1, by[1]) {
			h.parts[i][fields+k] = a
		}
	}
	return h
}

// Field returns B per ampere [T/A] at p [m]. It has no errors.
func (h *Harmonics) Field(p r3.Vec) (r3.Vec, error) {
	var t table
	t.fill(r3.Scale(h.scale, r3.Sub(p, h.center)), h.degree-1)
	var x, y, z float64
	for i := range h.parts {
		re, im, a := real(t[i]), imag(t[i]), &h.parts[i]
		x += real(a[0])*re - imag(a[0])*im
		y += real(a[1])*re - imag(a[1])*im
		z += real(a[2])*re - imag(a[2])*im
	}
	return r3.Vec{X: x, Y: y, Z: z}, nil
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m]. It has no
// errors.
func (h *Harmonics) Gradient(p r3.Vec) (r3.Vec, fieldmodels.Jacobian, error) {
	var t table
	t.fill(r3.Scale(h.scale, r3.Sub(p, h.center)), h.degree-1)
	var x, y, z, xx, xy, xz, yz, zz float64
	for i := range h.parts {
		re, im, a := real(t[i]), imag(t[i]), &h.parts[i]
		x += real(a[0])*re - imag(a[0])*im
		y += real(a[1])*re - imag(a[1])*im
		z += real(a[2])*re - imag(a[2])*im
		xx += real(a[3])*re - imag(a[3])*im
		xy += real(a[4])*re - imag(a[4])*im
		xz += real(a[5])*re - imag(a[5])*im
		yz += real(a[6])*re - imag(a[6])*im
		zz += real(a[7])*re - imag(a[7])*im
	}
	k := h.scale
	return r3.Vec{X: x, Y: y, Z: z}, fieldmodels.Jacobian{{k * xx, k * xy, k * xz}, {k * xy, -k * (xx + zz), k * yz}, {k * xz, k * yz, k * zz}}, nil
}

// Clearance returns the distance [m] to the sphere within which the series holds,
// but no less than that over which a field of its degree can change at all: to
// every sum of such fields what makes it is no nearer.
func (h *Harmonics) Clearance(p r3.Vec) float64 {
	u := h.scale * r3.Norm(r3.Sub(p, h.center))
	return max(1-u, 1/float64(h.degree)) / h.scale
}

// expansion is the function Re Σ a(l,m)·R(l,m) over m ≥ 0, at index(l, m).
type expansion []complex128

func index(l, m int) int { return l*(l+1)/2 + m }

func newExpansion(degree int) expansion { return make(expansion, index(degree+1, 0)) }

// derive is the derivative of an expansion by x, y or z: one degree less, by the
// rules of table. R(l,0) is real, R(l,−1) = −conj R(l,1).
func (e expansion) derive(degree, axis int) expansion {
	if degree < 1 {
		return nil
	}
	out := newExpansion(degree - 1)
	for l := range degree {
		for m := 0; m <= l; m++ {
			from := func(m int) complex128 { return e[index(l+1, m)] }
			up, down := from(m+1), complex128(0)
			if m > 0 {
				down = from(m - 1)
			}
			if m == 1 {
				down += complex(real(from(0)), 0)
			}
			v := [3]complex128{0.5 * (down - up), -0.5i * (down + up), from(m)}[axis]
			if m == 0 {
				v = complex(real(v), 0)
			}
			out[index(l, m)] = v
		}
	}
	return out
}

// basis writes the fields of all terms at u, for coefficients of one.
func basis(u r3.Vec, degree int, out []r3.Vec) {
	var t table
	t.fill(u, degree)
	for l := 1; l <= degree; l++ {
		for m := 0; m <= l; m++ {
			x, y, z := t.gradient(l, m)
			n, k := norms[l][m], term(l, m)
			out[k] = r3.Vec{X: n * real(x), Y: n * real(y), Z: n * real(z)}
			if m > 0 {
				out[k+1] = r3.Vec{X: n * imag(x), Y: n * imag(y), Z: n * imag(z)}
			}
		}
	}
}

// degreeOf inverts termsOf.
func degreeOf(terms int) (degree int, ok bool) {
	for termsOf(degree) < terms {
		degree++
	}
	return degree, termsOf(degree) == terms && degree >= 1 && degree <= MaxDegree
}

// table holds the regular solid harmonics R(l, m) = r^l·P(l,m)(cos θ)·e^{jmφ}/(l+m)!
// with the phase of Condon and Shortley, m ≥ 0. In this scale derivatives are
// harmonics again:
//
//	∂z R(l,m) = R(l−1,m)   (∂x + j∂y) R(l,m) = R(l−1,m+1)   (∂x − j∂y) R(l,m) = −R(l−1,m−1)
//
// Source: Epton and Dembart, SIAM J. Sci. Comput. 16, 1995 (not checked against
// the original; the tests check against differences).
type table [(MaxDegree + 1) * (MaxDegree + 2) / 2]complex128

func (t *table) fill(u r3.Vec, degree int) {
	r2 := r3.Dot(u, u)
	t[0] = 1
	for l := 1; l <= degree; l++ {
		row, below := t[index(l, 0):index(l+1, 0)], t[index(l-1, 0):index(l, 0)]
		k := -0.5 / float64(l)
		corner := below[l-1]
		row[l] = complex(k*(u.X*real(corner)-u.Y*imag(corner)), k*(u.X*imag(corner)+u.Y*real(corner)))
		z := float64(2*l-1) * u.Z
		for m := range l {
			re, im := z*real(below[m]), z*imag(below[m])
			if l > m+1 {
				v := t[index(l-2, m)]
				re, im = re-r2*real(v), im-r2*imag(v)
			}
			k := 1 / float64(l*l-m*m)
			row[m] = complex(k*re, k*im)
		}
	}
}

// at is R(l, m) for any m: R(l,−m) = (−1)^m·conj R(l,m), 0 beyond |m| = l.
func (t *table) at(l, m int) complex128 {
	switch {
	case l < 0 || m > l || -m > l:
		return 0
	case m >= 0:
		return t[index(l, m)]
	}
	v := t[index(l, -m)]
	v = complex(real(v), -imag(v))
	if m%2 != 0 {
		v = -v
	}
	return v
}

func (t *table) gradient(l, m int) (x, y, z complex128) {
	up, down := t.at(l-1, m+1), -t.at(l-1, m-1)
	return 0.5 * (up + down), -0.5i * (up - down), t.at(l-1, m)
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
