package correction

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/testdata/published"
)

const testRadius = 0.13

var testCenter = r3.Vec{X: 0.01, Y: -0.02, Z: 0.15}

func randomHarmonics(degree int) (*Harmonics, *rand.Rand) {
	random := rand.New(rand.NewPCG(uint64(degree), 3))
	var c []float64
	for range termsOf(degree) {
		c = append(c, random.NormFloat64())
	}
	return newHarmonics(testCenter, testRadius, c), random
}

// Central differences of B with a step of 1e-4 of the radius: their own error
// is of the order of degree³·1e-8, and rounding adds 1e-12.
func TestGradientAgainstDifferences(t *testing.T) {
	for degree := 1; degree <= MaxDegree; degree++ {
		h, random := randomHarmonics(degree)
		const step = 1e-4 * testRadius
		for range 20 {
			p := r3.Add(testCenter, r3.Vec{X: 0.1 * random.NormFloat64(), Y: 0.1 * random.NormFloat64(), Z: 0.1 * random.NormFloat64()})
			b, j, _ := h.Gradient(p)
			same, _ := h.Field(p)
			size := r3.Norm(b)
			if r3.Norm(r3.Sub(b, same)) > 1e-13*size {
				t.Fatalf("degree %d: Gradient's field %v, Field %v", degree, b, same)
			}
			largest := 0.0
			for i := range 3 {
				for k := range 3 {
					largest = max(largest, math.Abs(j[i][k]))
				}
			}
			if d := j[0][0] + j[1][1] + j[2][2]; math.Abs(d) > 1e-12*largest {
				t.Errorf("degree %d: div B = %g of %g", degree, d, largest)
			}
			for k, e := range []r3.Vec{{X: step}, {Y: step}, {Z: step}} {
				up, _ := h.Field(r3.Add(p, e))
				down, _ := h.Field(r3.Sub(p, e))
				d := r3.Scale(1/(2*step), r3.Sub(up, down))
				for i, v := range []float64{d.X, d.Y, d.Z} {
					if math.Abs(v-j[i][k]) > 1e-5*(largest+size/testRadius) {
						t.Errorf("degree %d: ∂B%d/∂x%d = %g, by differences %g", degree, i, k, j[i][k], v)
					}
				}
			}
		}
	}
}

// Each term's gradient has a mean square of one on the unit sphere, and terms
// are orthogonal there. Gauss points in cos θ times equal steps in φ integrate
// products of two terms exactly.
func TestBasisIsOrthonormal(t *testing.T) {
	const n = 2*MaxDegree + 3
	terms := termsOf(MaxDegree)
	gram, b := make([]float64, terms*terms), make([]r3.Vec, terms)
	zs, ws := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(zs, ws, -1, 1)
	for i, z := range zs {
		for k := range n {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / n)
			s := math.Sqrt(1 - z*z)
			basis(r3.Vec{X: s * cos, Y: s * sin, Z: z}, MaxDegree, b)
			for p := range b {
				for q := range b {
					gram[p*terms+q] += ws[i] / (2 * n) * r3.Dot(b[p], b[q])
				}
			}
		}
	}
	for p := range b {
		for q := range b {
			want := 0.0
			if p == q {
				want = 1
			}
			if math.Abs(gram[p*terms+q]-want) > 1e-11 {
				t.Errorf("terms %d and %d: mean product %g, want %g", p, q, gram[p*terms+q], want)
			}
		}
	}
}

// The field of a loop outside of a ball is a sum of harmonics inside it, and
// falls by the ratio of the distances with each degree (Jackson, Classical
// Electrodynamics, section 4.1): fitted on a sphere, met inside.
func TestDistantLoopIsHarmonic(t *testing.T) {
	loop := fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.04, Turns: 30}, r3.Vec{X: 0.05, Z: -0.2}, r3.Vec{X: 0.3, Z: 1})
	center, c := r3.Vec{Z: 0.05}, make([]float64, termsOf(MaxDegree))
	const radius = 0.1
	// Projection by the orthonormal basis over the sphere.
	const n = 200
	b := make([]r3.Vec, termsOf(MaxDegree))
	for i := range n {
		z := (float64(i)+0.5)/(n/2) - 1
		for k := range 40 {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 40)
			u := r3.Vec{X: math.Sqrt(1-z*z) * cos, Y: math.Sqrt(1-z*z) * sin, Z: z}
			f, err := loop.Field(r3.Add(center, r3.Scale(radius, u)))
			if err != nil {
				t.Fatal(err)
			}
			basis(u, MaxDegree, b)
			for p := range b {
				c[p] += r3.Dot(f, b[p]) / (40 * n)
			}
		}
	}
	h := newHarmonics(center, radius, c)
	for _, u := range []r3.Vec{{}, {X: 0.04}, {Y: -0.05, Z: 0.02}, {X: 0.03, Y: 0.03, Z: -0.03}} {
		p := r3.Add(center, u)
		want, _ := loop.Field(p)
		got, _ := h.Field(p)
		// The nearest current is 0.25 − 0.01 from the centre: (0.055/0.24)^8 of a
		// degree left out is 1e-5; the rule over z is good to 1e-4.
		if r3.Norm(r3.Sub(got, want)) > 3e-4*r3.Norm(want) {
			t.Errorf("at %v: %v, want %v", p, got, want)
		}
	}
}

// The field is that of the basis, term by term.
func TestFieldIsThatOfTheBasis(t *testing.T) {
	b := make([]r3.Vec, termsOf(MaxDegree))
	u := r3.Vec{X: 0.3, Y: -0.7, Z: 0.4}
	basis(u, MaxDegree, b)
	for k, want := range b {
		c := make([]float64, len(b))
		c[k] = 1
		got, _ := newHarmonics(testCenter, testRadius, c).Field(r3.Add(testCenter, r3.Scale(testRadius, u)))
		if r3.Norm(r3.Sub(got, want)) > 1e-13*(1+r3.Norm(want)) {
			t.Errorf("term %d: field %v, basis %v", k, got, want)
		}
	}
}

func BenchmarkGradient(b *testing.B) {
	h, _ := randomHarmonics(6)
	for b.Loop() {
		h.Gradient(r3.Vec{X: 0.05, Y: 0.02, Z: 0.1})
	}
}

func TestFieldDoesNotAllocate(t *testing.T) {
	h, _ := randomHarmonics(6)
	if n := testing.AllocsPerRun(100, func() { h.Gradient(rigid.Identity().Position) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

// The mean of a series of the highest degree over a disc, by the few points that
// Clearance allows. The first term that three points leave out of the mean is
// R⁶/(4³·3!·4!) times the sixth derivative, for a polynomial of degree 11 at most
// 11!/5!/radius⁶ of its size: 1.3e-8 with R/radius = 0.004/0.15.
func TestClearance(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for range 300 {
		c := make([]float64, termsOf(MaxDegree))
		for i := range c {
			c[i] = r.NormFloat64()
		}
		h := newHarmonics(testCenter, testRadius, c)
		u := r3.Unit(r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()})
		frame := mutual.NewFrame(rigid.Pose{Position: r3.Add(testCenter, r3.Scale(0.95*testRadius*r.Float64(), u)),
			Rotation: rigid.Normalize(quat.Number{Real: r.NormFloat64(), Imag: r.NormFloat64(), Jmag: r.NormFloat64(), Kmag: r.NormFloat64()})})
		pickup := mutual.NewPickup(mutual.Coil{Axis: r3.Vec{Z: 1}, AreaTurns: 1, Radius: testRadius * 0.004 / 0.15})
		var p mutual.Placed
		pickup.Place(&p, &frame)
		var got mutual.Coupling
		if err := p.CoupleFast(&got, h); err != nil {
			t.Fatal(err)
		}
		want, size := 0.0, 0.0
		for _, point := range p.Points(MaxDegree) { // B is a polynomial of one degree less
			b, _ := h.Field(point.At)
			want += r3.Dot(point.Along, b)
			size = math.Max(size, r3.Norm(b))
		}
		if d := math.Abs(got.M - want); d > 3e-8*size {
			t.Errorf("at %v: mean %g, want %g, off by %.1g of |B|", frame.Origin, got.M, want, d/size)
		}
	}
}

// World Magnetic Model 2025: 100 published vectors of a field of degree 12, to 1e-6 nT in
// print, which has errors of up to 7.2e-4 nT in its northward component (recomputed in 30
// digits, see the file). That field lies outside of its sources, ours inside: with
// u = a·p/r² the potential V = a·Σ (a/r)ⁿ⁺¹·Yₙ is a·(a/r)·Φ(u), Φ = Σ |u|ⁿ·Yₙ, and
//
//	B = −∇V = −a·((a/r)·(a/r²)·(1 − 2·n·nᵀ)·∇Φ − (a/r²)·Φ·n),  n = p/r,
//
// with Φₙ = u·∇Φₙ/n of each degree. A Schmidt semi-normalised harmonic has the mean square
// gradient n over the sphere; Schmidt's functions lack Condon and Shortley's sign.
func TestFieldOfThePublishedModel(t *testing.T) {
	const a = 6371200.0
	type coefficient struct {
		n, m         int
		g, h         float64
		gRate, hRate float64
	}
	var model []coefficient
	for _, row := range published.Table(t, "wmm2025_coefficients.csv") {
		model = append(model, coefficient{
			int(row.Number("n")), int(row.Number("m")), row.Number("g_nT"), row.Number("h_nT"),
			row.Number("g_rate_nT_per_year"), row.Number("h_rate_nT_per_year"),
		})
	}
	if len(model) != 12*(12+3)/2 {
		t.Fatalf("%d coefficients", len(model))
	}
	worst := 0.0
	for _, row := range published.Table(t, "wmm2025_test_values.csv") {
		years := row.Number("date_year") - 2025
		var degrees [MaxDegree + 1][]float64
		for n := range degrees {
			degrees[n] = make([]float64, termsOf(n))
		}
		for _, c := range model {
			by := math.Sqrt(float64(c.n)) * math.Pow(-1, float64(c.m))
			degrees[c.n][term(c.n, c.m)] = by * (c.g + years*c.gRate)
			if c.m > 0 {
				degrees[c.n][term(c.n, c.m)+1] = by * (c.h + years*c.hRate)
			}
		}
		p := r3.Vec{X: row.Number("x_m"), Y: row.Number("y_m"), Z: row.Number("z_m")}
		r := r3.Norm(p)
		out := r3.Scale(1/r, p)
		u := r3.Scale(a/r, out)
		var slope r3.Vec
		phi := 0.0
		for n := 1; n <= MaxDegree; n++ {
			f, err := newHarmonics(r3.Vec{}, 1, degrees[n]).Field(u)
			if err != nil {
				t.Fatal(err)
			}
			slope = r3.Add(slope, f)
			phi += r3.Dot(u, f) / float64(n)
		}
		mirrored := r3.Sub(slope, r3.Scale(2*r3.Dot(out, slope), out))
		b := r3.Scale(-a, r3.Sub(r3.Scale(a/r*a/(r*r), mirrored), r3.Scale(a*phi/(r*r), out)))
		off := r3.Norm(r3.Sub(b, r3.Vec{X: row.Number("B_x_nT"), Y: row.Number("B_y_nT"), Z: row.Number("B_z_nT")}))
		if worst = max(worst, off); off > 1e-3 {
			t.Errorf("%v: off by %.2g nT", row, off)
		}
	}
	t.Logf("off by at most %.2g nT", worst)
}
