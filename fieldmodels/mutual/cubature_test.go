package mutual

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
	"tonepose/testdata/published"
)

// Abramowitz and Stegun, 25.4.61 (compared with a public copy): 4 points of degree 3 at h/√2,
// 7 points of degree 5 with weight 1/4 at the centre and 1/8 at √(2/3)·h, 21
// points of degree 9 with 1/9, (16±√6)/360 at √((6∓√6)/10)·h.
func TestDiscNodesHandbook(t *testing.T) {
	type ring struct{ radius, weight float64 }
	s6 := math.Sqrt(6)
	for degree, want := range map[int][]ring{
		3: {{math.Sqrt(0.5), 1. / 4}},
		5: {{0, 1. / 4}, {math.Sqrt(2. / 3), 1. / 8}},
		9: {{0, 1. / 9}, {math.Sqrt((6 - s6) / 10), (16 + s6) / 360}, {math.Sqrt((6 + s6) / 10), (16 - s6) / 360}},
	} {
		count := map[ring]int{}
		for _, n := range discNodes(2, degree) {
			for _, r := range want {
				if math.Abs(math.Hypot(n.X, n.Y)/2-r.radius) < 1e-15 && math.Abs(n.Weight-r.weight) < 1e-15 {
					count[r]++
				}
			}
		}
		for _, r := range want {
			points := degree + 1
			if r.radius == 0 {
				points = 1
			}
			if count[r] != points {
				t.Errorf("degree %d: %d points of %+v, want %d", degree, count[r], r, points)
			}
		}
	}
}

// Every monomial up to the degree: the mean of x^i·y^j over the unit disc is 0
// for odd i or j, else 2/(i+j+2)·(i−1)!!(j−1)!!/(i+j)!!; and x^(degree+1) is not
// exact, so the degree is not understated.
func TestDiscNodesDegree(t *testing.T) {
	double := func(n int) float64 { // n!!
		p := 1.0
		for ; n > 1; n -= 2 {
			p *= float64(n)
		}
		return p
	}
	exact := func(i, j int) float64 {
		if i%2+j%2 > 0 {
			return 0
		}
		return 2 / float64(i+j+2) * double(i-1) * double(j-1) / double(i+j)
	}
	for degree := 1; degree <= 41; degree += 2 {
		nodes := discNodes(1, degree)
		mean := func(i, j int) float64 {
			s := 0.0
			for _, n := range nodes {
				s += n.Weight * math.Pow(n.X, float64(i)) * math.Pow(n.Y, float64(j))
			}
			return s
		}
		for i := 0; i <= degree; i++ {
			for j := 0; i+j <= degree; j++ {
				// Sums of at most 1,000 terms of size below 1.
				if d := math.Abs(mean(i, j) - exact(i, j)); d > 1e-14 {
					t.Errorf("degree %d: x^%d·y^%d off by %.1e", degree, i, j, d)
				}
			}
		}
		worst := 0.0
		for i := 0; i <= degree+1; i++ {
			worst = math.Max(worst, math.Abs(mean(i, degree+1-i)-exact(i, degree+1-i)))
		}
		if degree < 17 && worst < 1e-8 {
			t.Errorf("degree %d is exact to the next degree too", degree)
		}
	}
}

// The flux through one circle of the field of another is their mutual
// inductance: tables by vector potential and by Neumann's integral, which know
// nothing of B. High-order discs converge to them.
func TestMutualInductanceOfCircles(t *testing.T) {
	type pair struct {
		name         string
		r1, r2       float64
		center, axis r3.Vec
		want         float64
	}
	var pairs []pair
	for _, row := range published.Table(t, "mutual_coaxial_circles.csv") {
		pairs = append(pairs, pair{"coaxial", row.Number("radius1_m"), row.Number("radius2_m"),
			r3.Vec{Z: row.Number("axial_distance_m")}, r3.Vec{Z: 1}, row.Number("mutual_inductance_H")})
	}
	for _, row := range published.Table(t, "mutual_misaligned_circles.csv") {
		pairs = append(pairs, pair{"misaligned", row.Number("radius1_m"), row.Number("radius2_m"),
			published3(row, "centre2_", "_m"), published3(row, "normal2_", ""), row.Number("mutual_inductance_H")})
	}
	flux := func(r1, r2 float64, place rigid.Pose, degree int) float64 {
		b, err := meanField(fieldmodels.Loop{Radius: r1, Turns: 1}, discNodes(r2, degree), place)
		if err != nil {
			t.Fatal(err)
		}
		return r3.Dot(b, place.Rotate(r3.Vec{Z: 1})) * math.Pi * r2 * r2
	}
	checked := 0
	for _, p := range pairs {
		place := rigid.Pose{Position: p.center, Rotation: rigid.Between(r3.Vec{Z: 1}, p.axis)}
		want := p.want * fieldmodels.Mu0 / tableMu0
		// The circle that is seen from farther away, in its own radii, is the disc.
		// Its polynomials converge as (R/D)^degree, D from its centre to the other wire.
		for _, swap := range []bool{false, true} {
			r1, r2, at := p.r1, p.r2, place
			if swap {
				r1, r2, at = r2, r1, place.Inverse()
			}
			q := at.Position
			distance := math.Hypot(math.Hypot(q.X, q.Y)-r1, q.Z)
			ratio := r2 / distance
			if ratio > 0.62 {
				continue
			}
			checked++
			got := flux(r1, r2, at, 61)
			// 8·0.62^62 = 1e-12 of B on the disc; M may be smaller than B times area.
			b, err := fieldmodels.Loop{Radius: r1, Turns: 1}.Field(q)
			if err != nil {
				t.Fatal(err)
			}
			scale := math.Max(math.Abs(want), r3.Norm(b)*math.Pi*r2*r2)
			tol := 2e-14 + 8*math.Pow(ratio, 62)
			if d := math.Abs(got-want) / scale; d > tol {
				t.Errorf("%s %+v (swapped: %v, R/D = %.2f): M = %.15g H, want %.15g, off by %.1e (tolerance %.1e)", p.name, p, swap, ratio, got, want, d, tol)
			}
		}
	}
	if checked < 12 {
		t.Errorf("only %d pairs converge", checked)
	}
}

// The degree that discDegree chooses is enough for loops of all sizes and a dipole,
// in every direction: for a tolerance of 1e-7 from 2.2 radii on, for 1e-11 from 3.5.
func TestDiscDegree(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	used := map[int]bool{}
	for range 3000 {
		radius := 0.004
		distance := radius * math.Pow(10, 0.4+1.8*rng.Float64())
		tolerance := 1e-7
		if distance > 3.5*radius && rng.IntN(2) == 0 {
			tolerance = 1e-11
		}
		degree := discDegree(radius, distance, tolerance)
		used[degree] = true
		u := r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
		v := r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}
		place := rigid.Pose{Position: r3.Scale(distance, u), Rotation: rigid.Between(r3.Vec{Z: 1}, v)}
		var src fieldmodels.Source = fieldmodels.Dipole{Moment: r3.Vec{Z: 1}}
		if rng.IntN(2) == 0 {
			// A loop in the X–Z plane or so, the nearest point of its wire at the origin.
			a := distance * math.Pow(10, 2*rng.Float64()-1)
			src = fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: a, Turns: 1}, r3.Scale(-a, u), r3.Cross(u, v))
		}
		got, err := meanField(src, discNodes(radius, degree), place)
		if err != nil {
			t.Fatal(err)
		}
		want, err := meanField(src, discNodes(radius, 61), place)
		if err != nil {
			t.Fatal(err)
		}
		if d := r3.Norm(r3.Sub(got, want)) / r3.Norm(want); d > tolerance {
			t.Errorf("%T, D/R = %.2f, tolerance %.0e, degree %d: off by %.1e", src, distance/radius, tolerance, degree, d)
		}
	}
	if len(used) < 6 {
		t.Errorf("only %d degrees were in use", len(used))
	}
}
