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
			// The products are polynomials in the cosine of the angle to an axis, which
			// the directions integrate exactly: rounding of some hundred sums.
			if v := cov.At(at, at) / (scale * law(l)); math.Abs(v-1) > 1e-12 {
				t.Errorf("coefficient %d, degree %d: variance %.15f of the law's", at, l, v)
			}
			for k := range at {
				if r := cov.At(k, at) / math.Sqrt(cov.At(k, k)*cov.At(at, at)); math.Abs(r) > 1e-12 {
					t.Errorf("coefficients %d and %d: correlation %.3g", k, at, r)
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

// The directions are enough for spheres near and far, of metal all around and of a plate: a
// dense spiral of positions all over the sphere, of equal solid angles, which knows of no axis
// and of no order, gives the same covariance but for its own error: what half as many
// positions differ by.
func TestPriorHasDirectionsEnough(t *testing.T) {
	for _, falloff := range []float64{0.2, 0.6, closest} {
		for _, size := range []float64{0, 0.3, 3, flat} {
			s := Smoothness{Degree: 8, Falloff: falloff, Shift: r3.Scale(size, r3.Unit(r3.Vec{X: -0.4, Y: 0.5, Z: -0.3}))}
			got, half, want := s.covariance(), spiral(s, 1000), spiral(s, 2000)
			scale := mat.Trace(got) / mat.Trace(want)
			var off, limit float64 // the largest, in sigmas
			for i := range got.SymmetricDim() {
				for k := range i + 1 {
					sigmas := math.Sqrt(want.At(i, i) * want.At(k, k))
					off = max(off, math.Abs(got.At(i, k)/scale-want.At(i, k))/sigmas)
					limit = max(limit, math.Abs(half.At(i, k)-want.At(i, k))/sigmas)
				}
			}
			if limit > 0.01 {
				t.Fatalf("falloff %g, shift %g: the spiral is off by %.2g itself", falloff, size, limit)
			}
			if off > limit {
				t.Errorf("falloff %g, shift %g: off by %.2g, want at most %.2g", falloff, size, off, limit)
			}
		}
	}
}

// spiral is Smoothness.covariance from so many positions in the frame of the ball.
func spiral(s Smoothness, positions int) *mat.SymDense {
	terms, h, nearest := termsOf(s.Degree), r3.Norm(s.Shift), 1/s.Falloff
	var f [3][]float64
	for axis := range f {
		f[axis] = make([]float64, terms)
	}
	fields := mat.NewDense(3*positions, terms, nil)
	for i := range positions {
		z := 1 - (2*float64(i)+1)/float64(positions)
		sin, cos := math.Sincos(math.Pi * (3 - math.Sqrt(5)) * float64(i))
		rho := math.Sqrt(1 - z*z)
		u := r3.Vec{X: rho * cos, Y: rho * sin, Z: z}
		// |d·u − Shift| is the sphere's radius.
		along := r3.Dot(u, s.Shift)
		root := math.Sqrt(nearest*(nearest+2*h) + along*along)
		d := along + root
		dipoles(r3.Scale(d, u), s.Degree, &f)
		for axis := range f {
			row := fields.RawRowView(3*i + axis)
			for k := range row {
				row[k] = d * math.Sqrt((nearest+h)/root/float64(positions)) * f[axis][k]
			}
		}
	}
	var out mat.SymDense
	out.SymOuterK(1, fields.T())
	return &out
}
