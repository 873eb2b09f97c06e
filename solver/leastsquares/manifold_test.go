package leastsquares

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// point is something random on a manifold with a move shorter than half a turn.
func point(t *rapid.T, m Manifold) (x, delta []float64) {
	number := rapid.Float64Range(-1, 1)
	unit := func(n int, length float64) []float64 {
		v := rapid.SliceOfN(number, n, n).Draw(t, "vector")
		sum := 0.0
		for _, u := range v {
			sum += u * u
		}
		if sum < 1e-6 {
			clear(v)
			v[0], sum = 1, 1
		}
		for i := range v {
			v[i] *= length / math.Sqrt(sum)
		}
		return v
	}
	arc := rapid.Float64Range(0, 3.1).Draw(t, "arc")
	if rapid.Bool().Draw(t, "tiny") {
		arc *= 1e-9
	}
	switch m := m.(type) {
	case Product:
		for _, part := range m {
			a, b := point(t, part)
			x, delta = append(x, a...), append(delta, b...)
		}
		return x, delta
	case Euclidean:
		return unit(int(m), 10), unit(int(m), arc)
	default:
		ambient, tangent := m.dimensions()
		return unit(ambient, 1), unit(tangent, arc)
	}
}

var manifolds = map[string]Manifold{
	"Euclidean": Euclidean(3),
	"Rotation":  Rotation{},
	"Product":   Product{Euclidean(2), Rotation{}, Euclidean(3)},
}

func TestPlusInPlace(t *testing.T) {
	for name, m := range manifolds {
		t.Run(name, rapid.MakeCheck(func(t *rapid.T) {
			x, delta := point(t, m)
			y := make([]float64, len(x))
			m.plus(y, x, delta)
			m.plus(x, x, delta)
			for i := range x {
				if x[i] != y[i] {
					t.Fatalf("in place %v, apart %v", x, y)
				}
			}
		}))
	}
}

// A quarter turn about z carries x to y.
func TestRotationConvention(t *testing.T) {
	q := []float64{1, 0, 0, 0}
	Rotation{}.plus(q, q, []float64{0, 0, math.Pi / 2})
	s := math.Sqrt(0.5)
	for i, want := range []float64{s, 0, 0, s} {
		if math.Abs(q[i]-want) > 1e-15 {
			t.Fatalf("quarter turn about z: %v, want (%g, 0, 0, %g)", q, s, s)
		}
	}
	// Moves act from the left, in the fixed frame: first about z, then about x.
	Rotation{}.plus(q, q, []float64{math.Pi / 2, 0, 0})
	for i, want := range []float64{0.5, 0.5, -0.5, 0.5} { // (1,1,0,0)/√2 · (1,0,0,1)/√2
		if math.Abs(q[i]-want) > 1e-15 {
			t.Fatalf("then about x: %v, want (0.5, 0.5, -0.5, 0.5)", q)
		}
	}
}
