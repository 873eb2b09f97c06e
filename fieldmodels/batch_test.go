package fieldmodels

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/variant/varianttest"
)

func TestMain(m *testing.M) { varianttest.Main(m) }

// Every kernel against Field, for all short lengths and odd offsets, points from
// the axis to the wire and far away among each other, guards around the results.
func TestFieldsMatchField(t *testing.T) {
	placed := &PlacedLoop{
		Loop:   Loop{Radius: 0.035, Turns: 40},
		Center: r3.Vec{X: 0.1, Y: -0.2, Z: 0.05},
		Axis:   r3.Unit(r3.Vec{X: 1, Y: 2, Z: -2}),
	}
	rng := rand.New(rand.NewPCG(17, 18))
	point := func() r3.Vec {
		u := r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
		switch rng.IntN(4) {
		case 0: // by the wire, down to 1e-6 radii
			square := r3.Unit(r3.Cross(placed.Axis, u))
			return r3.Add(r3.Add(placed.Center, r3.Scale(0.035, square)), r3.Scale(0.035*math.Pow(10, -6*rng.Float64()), u))
		case 1: // on the axis
			return r3.Add(placed.Center, r3.Scale(rng.NormFloat64(), placed.Axis))
		default:
			return r3.Add(placed.Center, r3.Scale(0.035*math.Pow(10, -2+6*rng.Float64()), u))
		}
	}
	for level := range ringFieldsKernel.Each() {
		for n := 0; n <= 67; n++ {
			const guard = 123.5
			offset := n % 5
			buffer := func() []float64 {
				b := make([]float64, n+offset+9)
				for i := range b {
					b[i] = guard
				}
				return b
			}
			bx, by, bz := buffer(), buffer(), buffer()
			x, y, z := buffer(), buffer(), buffer()
			cut := func(b []float64) []float64 { return b[offset : offset+n] }
			for i := range n {
				p := point()
				cut(x)[i], cut(y)[i], cut(z)[i] = p.X, p.Y, p.Z
			}
			placed.Fields(cut(bx), cut(by), cut(bz), cut(x), cut(y), cut(z))
			for i := range n {
				p := r3.Vec{X: cut(x)[i], Y: cut(y)[i], Z: cut(z)[i]}
				want, err := placed.Field(p)
				if err != nil {
					t.Fatal(err)
				}
				got := r3.Vec{X: cut(bx)[i], Y: cut(by)[i], Z: cut(bz)[i]}
				// Another order of roundings, and fused ones: some 2⁻⁵³ of the
				// distances, which the distance to the wire divides.
				w, s, zeta := fromAxis(p, placed.Center, placed.Axis)
				near := math.Hypot(math.Sqrt(s)-0.035, zeta)
				tol := 40 * 0x1p-53 * (1 + (0.035+math.Abs(zeta)+r3.Norm(w)+r3.Norm(placed.Center))/near)
				if d := r3.Norm(r3.Sub(got, want)) / r3.Norm(want); !(d <= tol) {
					t.Errorf("%s, n = %d, point %d %v: %v, want %v (off by %.1e, tolerance %.1e)", level.Name, n, i, p, got, want, d, tol)
				}
			}
			for _, b := range [][]float64{bx, by, bz} {
				for i, v := range b {
					if (i < offset || i >= offset+n) && v != guard {
						t.Fatalf("%s, n = %d: wrote outside, at %d", level.Name, n, i-offset)
					}
				}
			}
		}
	}
}

// The loop's own frame, results over the points, and the conductor: NaN there
// and nowhere else.
func TestFieldsOnConductorAndInPlace(t *testing.T) {
	l := Loop{Radius: 0.1, Turns: 2}
	for level := range ringFieldsKernel.Each() {
		x := make([]float64, 19)
		y, z := make([]float64, 19), make([]float64, 19)
		for i := range x {
			x[i], z[i] = 0.1, 0.01*float64(i%3)
		}
		want := make([]r3.Vec, len(x))
		for i := range x {
			want[i], _ = l.Field(r3.Vec{X: x[i], Z: z[i]})
		}
		wire := make([]bool, len(x))
		for i := range z {
			wire[i] = z[i] == 0
		}
		l.Fields(x, y, z, x, y, z)
		for i := range x {
			got := r3.Vec{X: x[i], Y: y[i], Z: z[i]}
			if wire[i] != math.IsNaN(got.X+got.Z) {
				t.Errorf("%s, point %d: %v; on the wire: %v", level.Name, i, got, wire[i])
			}
			if !wire[i] && r3.Norm(r3.Sub(got, want[i])) > 1e-14*r3.Norm(want[i]) {
				t.Errorf("%s, point %d: %v, want %v", level.Name, i, got, want[i])
			}
		}
	}
	defer func() {
		if recover() == nil {
			t.Error("unequal slices: no panic")
		}
	}()
	l.Fields(make([]float64, 3), make([]float64, 3), make([]float64, 3), make([]float64, 3), make([]float64, 2), make([]float64, 3))
}

func BenchmarkLoopFields(b *testing.B) {
	const n = 1024
	rng := rand.New(rand.NewPCG(7, 8))
	l := &PlacedLoop{Loop: Loop{Radius: 0.035, Turns: 40}, Axis: r3.Vec{Z: 1}}
	var c [6][]float64
	for i := range c {
		c[i] = make([]float64, n)
	}
	for i := range n {
		u := r3.Scale(0.15+0.45*rng.Float64(), r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}))
		c[3][i], c[4][i], c[5][i] = u.X, u.Y, u.Z
	}
	for level := range ringFieldsKernel.Each() {
		b.Run(fmt.Sprintf("impl=%s/n=%d", level.Name, n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				l.Fields(c[0], c[1], c[2], c[3], c[4], c[5])
			}
			b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mpoints/s")
		})
	}
}
