package correction

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// A dipole outside of the ball, as harmonics inside: the degrees left out are
// (|p|/|s|)^12 of the field and less.
func TestDipolesAreThoseOfTheModel(t *testing.T) {
	s := r3.Vec{X: 1.2, Y: -2.1, Z: 1.5} // 2.85 radii away
	var fields [3][]float64
	for axis := range fields {
		fields[axis] = make([]float64, termsOf(MaxDegree))
	}
	dipoles(s, MaxDegree, &fields)
	for axis, moment := range []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
		h := newHarmonics(r3.Vec{}, 1, fields[axis])
		model := fieldmodels.Place(fieldmodels.Dipole{Moment: moment}, rigid.Pose{Position: s, Rotation: rigid.Identity().Rotation})
		for _, p := range []r3.Vec{{X: 0.2, Y: 0.3, Z: -0.1}, {Z: 0.4}, {}} {
			got, _ := h.Field(p)
			want, err := model.Field(p)
			if err != nil {
				t.Fatal(err)
			}
			// B is −μ0/4π times the gradient of what dipoles describes.
			want = r3.Scale(-4*math.Pi/fieldmodels.Mu0, want)
			if r3.Norm(r3.Sub(got, want)) > 1e-8*r3.Norm(want) {
				t.Errorf("axis %d at %v: %v, want %v", axis, p, got, want)
			}
		}
	}
}

// Of dipoles all around at a distance of 1/f radii, the coefficients of degree l
// are independent, of a variance in proportion to l(l+1)·f^(2l): by the sums of
// squares of ∇(r^l·Y) and ∇(Y/r^(l+1)) over a sphere, l(2l+1) and (l+1)(2l+1),
// and the expansion of 1/|r − s| by Y·Y·4π/(2l+1) (Jackson, Classical
// Electrodynamics, section 3.6).
func TestPriorAllAround(t *testing.T) {
	const degree, falloff = 6, 0.7
	cov := Smoothness{Degree: degree, Falloff: falloff}.covariance()
	law := func(l int) float64 { return float64(l*(l+1)) * math.Pow(falloff, float64(2*l)) }
	scale := cov.At(0, 0) / law(1)
	at := 0
	for l := 1; l <= degree; l++ {
		for range 2*l + 1 {
			// Equal solid angles of a spiral of 300 integrate these products to
			// a few hundredths.
			if v := cov.At(at, at) / (scale * law(l)); math.Abs(v-1) > 0.05 {
				t.Errorf("coefficient %d, degree %d: variance %.3f of the law's", at, l, v)
			}
			for k := range at {
				if r := cov.At(k, at) / math.Sqrt(cov.At(k, k)*cov.At(at, at)); math.Abs(r) > 0.05 {
					t.Errorf("coefficients %d and %d: correlation %.3f", k, at, r)
				}
			}
			at++
		}
	}
}

// Places drawn evenly on the shifted sphere give the same covariance.
func TestPriorShifted(t *testing.T) {
	const draws = 40000
	s := Smoothness{Degree: 3, Falloff: 0.6, Shift: r3.Vec{X: 0.4, Y: -0.5, Z: 0.9}}
	radius := 1/s.Falloff + r3.Norm(s.Shift)
	want := s.covariance()
	terms := want.SymmetricDim()
	random := rand.New(rand.NewPCG(3, 1))
	drawn := mat.NewSymDense(terms, nil)
	var fields [3][]float64
	for axis := range fields {
		fields[axis] = make([]float64, terms)
	}
	for range draws {
		u := r3.Unit(r3.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()})
		dipoles(r3.Add(s.Shift, r3.Scale(radius, u)), s.Degree, &fields)
		for k := range 3 {
			drawn.SymRankOne(drawn, 1, mat.NewVecDense(terms, fields[k]))
		}
	}
	scale := mat.Trace(drawn) / mat.Trace(want)
	for i := range terms {
		for k := range i + 1 {
			// Strong sources are few: of 40000 draws some thousand matter, whose
			// fourth moments are several times their squared second.
			size := math.Sqrt(drawn.At(i, i) * drawn.At(k, k))
			if d := drawn.At(i, k) - scale*want.At(i, k); math.Abs(d) > 0.06*size {
				t.Errorf("coefficients %d and %d: off by %.3f", i, k, d/size)
			}
		}
	}
}
