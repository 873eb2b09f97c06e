package fieldmodels_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// model is a source with what a test must know of it: how far a point is from
// its conductor, and its size.
type model struct {
	name     string
	source   fieldmodels.Source
	size     float64                // [m]
	distance func(p r3.Vec) float64 // to the conductor [m]
}

func segmentDistance(a, b, p r3.Vec) float64 {
	l := r3.Sub(b, a)
	u := math.Max(0, math.Min(1, r3.Dot(r3.Sub(p, a), l)/r3.Norm2(l)))
	return r3.Norm(r3.Sub(p, r3.Add(a, r3.Scale(u, l))))
}

func polygonDistance(points []r3.Vec) func(r3.Vec) float64 {
	return func(p r3.Vec) float64 {
		d := math.Inf(1)
		for i := range points {
			d = math.Min(d, segmentDistance(points[i], points[(i+1)%len(points)], p))
		}
		return d
	}
}

// boxDistance is the distance to a coil of rectangular section: radii r1..r2,
// heights −half..half.
func boxDistance(r1, r2, half float64) func(r3.Vec) float64 {
	return func(p r3.Vec) float64 {
		rho := math.Hypot(p.X, p.Y)
		return math.Hypot(math.Max(0, math.Max(r1-rho, rho-r2)), math.Max(0, math.Abs(p.Z)-half))
	}
}

var testPose = rigid.Pose{
	Position: r3.Vec{X: 0.2, Y: -0.1, Z: 0.3},
	Rotation: rigid.Normalize(quat.Number{Real: 0.3, Imag: -0.5, Jmag: 0.7, Kmag: 0.2}),
}

func models() []model {
	bent := []r3.Vec{{X: 0.03, Z: 0.01}, {X: 0.01, Y: 0.04}, {X: -0.03, Y: 0.01, Z: -0.02}, {X: -0.02, Y: -0.03, Z: 0.01}, {X: 0.01, Y: -0.025}}
	rect := []r3.Vec{{X: 0.03, Y: -0.02}, {X: 0.03, Y: 0.02}, {X: -0.03, Y: 0.02}, {X: -0.03, Y: -0.02}}
	loop := fieldmodels.Loop{Radius: 0.035, Turns: 40}
	own := []model{
		{"dipole", fieldmodels.Dipole{Moment: r3.Vec{X: 0.01, Y: -0.02, Z: 0.03}}, 0.03, r3.Norm},
		{"loop", loop, 0.035, boxDistance(0.035, 0.035, 0)},
		{"rectangle", fieldmodels.Rectangle{Width: 0.06, Height: 0.04, Turns: 20}, 0.036, polygonDistance(rect)},
		{"polyline", fieldmodels.Polyline{Points: bent, Closed: true, Turns: 3}, 0.04, polygonDistance(bent)},
		{"sum", fieldmodels.Sum{loop, fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.01, Turns: -7.5}, r3.Vec{Z: 0.02}, r3.Vec{Z: 2})}, 0.035,
			func(p r3.Vec) float64 {
				return math.Min(boxDistance(0.035, 0.035, 0)(p), boxDistance(0.01, 0.01, 0)(r3.Vec{X: p.X, Y: p.Y, Z: p.Z - 0.02}))
			}},
	}
	for _, w := range []struct {
		name string
		fieldmodels.Winding
	}{
		{"winding", fieldmodels.Winding{InnerRadius: 0.02, OuterRadius: 0.035, Length: 0.02, Turns: 400}},
		{"long winding", fieldmodels.Winding{InnerRadius: 0.02, OuterRadius: 0.022, Length: 0.2, Turns: 400}},
		{"flat winding", fieldmodels.Winding{InnerRadius: 0.005, OuterRadius: 0.05, Turns: 30}},
		{"full winding", fieldmodels.Winding{OuterRadius: 0.03, Length: 0.01, Turns: 100}},
	} {
		own = append(own, model{w.name, w.Winding, 0.035, boxDistance(w.InnerRadius, w.OuterRadius, w.Length/2)})
	}
	for _, c := range []struct {
		name string
		fieldmodels.Sheet
	}{
		{"sheet", fieldmodels.Sheet{Radius: 0.03, Length: 0.06, Turns: 100}},
		{"long sheet", fieldmodels.Sheet{Radius: 0.01, Length: 0.2, Turns: 100}},
		{"short sheet", fieldmodels.Sheet{Radius: 0.04, Length: 0.002, Turns: 10}},
	} {
		own = append(own, model{c.name, c.Sheet, 0.03, boxDistance(c.Radius, c.Radius, c.Length/2)})
	}
	all := own
	for _, m := range own {
		back := testPose.Inverse()
		all = append(all, model{"placed " + m.name, fieldmodels.Place(m.source, testPose), m.size,
			func(p r3.Vec) float64 { return m.distance(back.Apply(p)) }})
	}
	return all
}

// randomPoints draws points from a hundredth of the size to 1,000 sizes away
// from the origin or from a point on the conductor's scale, every tenth on the
// Z axis.
func randomPoints(rng *rand.Rand, m model, n int) []r3.Vec {
	points := make([]r3.Vec, 0, n)
	for len(points) < n {
		v := r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
		if len(points)%10 == 0 {
			v = r3.Vec{Z: math.Copysign(1, v.Z)}
		}
		p := r3.Scale(m.size*math.Pow(10, -2+5*rng.Float64()), v)
		if m.distance(p) > 0.01*m.size {
			points = append(points, p)
		}
	}
	return points
}

func norm(j fieldmodels.Jacobian) float64 {
	s := 0.0
	for i := range j {
		for _, v := range j[i] {
			s += v * v
		}
	}
	return math.Sqrt(s)
}

func column(j fieldmodels.Jacobian, c int) r3.Vec {
	return r3.Vec{X: j[0][c], Y: j[1][c], Z: j[2][c]}
}

// The derivative against a four-point difference. With steps of h = 3e-3 of the
// distance to the conductor, r, its truncation is h⁴·B⁽⁵⁾/30 ≤ 6!/(2·30)·(h/r)⁴
// ≈ 1e-9 of |B|/r, its rounding 1.5·1e-15/(h/r) < 1e-12. Near coils with other
// wires about, |J| may be smaller than |B|/r: the error is in units of the larger.
// Inside a coil with its ends far away r is not the scale of B, only smaller.
func TestGradientAgainstDifferences(t *testing.T) {
	for _, m := range models() {
		rng := rand.New(rand.NewPCG(1, 2))
		worst := 0.0
		for _, p := range randomPoints(rng, m, 1000) {
			b, j, err := m.source.Gradient(p)
			if err != nil {
				t.Fatalf("%s at %v: %v", m.name, p, err)
			}
			f, err := m.source.Field(p)
			if err != nil {
				t.Fatalf("%s at %v: %v", m.name, p, err)
			}
			if d := r3.Norm(r3.Sub(b, f)) / r3.Norm(f); d > 1e-14 {
				t.Errorf("%s at %v: Field and Gradient differ by %.1e", m.name, p, d)
			}
			r := m.distance(p)
			h := 3e-3 * r
			for c := range 3 {
				var step [3]float64
				step[c] = h
				s := r3.Vec{X: step[0], Y: step[1], Z: step[2]}
				at := func(k float64) r3.Vec {
					q := r3.Add(p, r3.Scale(k, s))
					v, err := m.source.Field(q)
					if err != nil {
						t.Fatal(err)
					}
					return v
				}
				d := r3.Scale(1/(12*h), r3.Sub(r3.Scale(8, r3.Sub(at(1), at(-1))), r3.Sub(at(2), at(-2))))
				e := r3.Norm(r3.Sub(d, column(j, c))) / math.Max(norm(j), r3.Norm(b)/r)
				worst = math.Max(worst, e)
				if e > 1e-8 {
					t.Errorf("%s at %v: column %d off by %.1e", m.name, p, c, e)
				}
			}
		}
		t.Logf("%s: worst %.1e", m.name, worst)
	}
}

// Off the conductor div B = 0 and curl B = 0.
func TestMaxwell(t *testing.T) {
	for _, m := range models() {
		rng := rand.New(rand.NewPCG(3, 4))
		for _, p := range randomPoints(rng, m, 1000) {
			b, j, err := m.source.Gradient(p)
			if err != nil {
				t.Fatal(err)
			}
			scale := math.Max(norm(j), r3.Norm(b)/m.distance(p))
			div := math.Abs(j[0][0] + j[1][1] + j[2][2])
			curl := math.Abs(j[0][1]-j[1][0]) + math.Abs(j[0][2]-j[2][0]) + math.Abs(j[1][2]-j[2][1])
			// Rounding of the terms, each up to some |B|/r: sides of a polygon
			// cancel to a hundredth of themselves before the far form sets in.
			if div > 1e-13*scale || curl > 1e-13*scale {
				t.Errorf("%s at %v: div %.1e, curl %.1e of the derivative", m.name, p, div/scale, curl/scale)
			}
		}
	}
}
