package leastsquares_test

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"tonepose/solver/leastsquares"
)

// point is something random on a manifold with a move shorter than half a turn.
func point(t *rapid.T, m leastsquares.Manifold) (x, delta []float64) {
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
	case leastsquares.Product:
		for _, part := range m {
			a, b := point(t, part)
			x, delta = append(x, a...), append(delta, b...)
		}
		return x, delta
	case leastsquares.Euclidean:
		return unit(int(m), 10), unit(int(m), arc)
	default:
		return unit(m.Ambient(), 1), unit(m.Tangent(), arc)
	}
}

var manifolds = map[string]leastsquares.Manifold{
	"Euclidean": leastsquares.Euclidean(3),
	"Rotation":  leastsquares.Rotation{},
	"circle":    leastsquares.Sphere(2),
	"direction": leastsquares.Sphere(3),
	"Product":   leastsquares.Product{leastsquares.Euclidean(2), leastsquares.Rotation{}, leastsquares.Sphere(3)},
}

func TestMinusUndoesPlus(t *testing.T) {
	for name, m := range manifolds {
		t.Run(name, rapid.MakeCheck(func(t *rapid.T) {
			x, delta := point(t, m)
			y, back := make([]float64, m.Ambient()), make([]float64, m.Tangent())
			m.Plus(y, x, delta)
			m.Minus(back, y, x)
			for i := range delta {
				// A dozen roundings of numbers of size 1 (10 when plain), 2e-15. On
				// a sphere the way back from near the opposite point, 3.1 rad, is
				// only as sure as the point across it: 3.1/sin(3.1) = 75 times less.
				if math.Abs(back[i]-delta[i]) > 75*2e-15 {
					t.Fatalf("(x ⊞ δ) ⊟ x = %v, want %v at x = %v", back, delta, x)
				}
			}
			m.Minus(back, x, x)
			for i := range back {
				if math.Abs(back[i]) > 1e-15 {
					t.Fatalf("x ⊟ x = %v at %v", back, x)
				}
			}
		}))
	}
}

func TestPlusInPlace(t *testing.T) {
	for name, m := range manifolds {
		t.Run(name, rapid.MakeCheck(func(t *rapid.T) {
			x, delta := point(t, m)
			y := make([]float64, m.Ambient())
			m.Plus(y, x, delta)
			m.Plus(x, x, delta)
			for i := range x {
				if x[i] != y[i] {
					t.Fatalf("in place %v, apart %v", x, y)
				}
			}
		}))
	}
}

func TestDerivativeOfPlus(t *testing.T) {
	const h = 1e-5 // error h²/6 of a sine, and rounding 1e-16/h
	for name, m := range manifolds {
		t.Run(name, rapid.MakeCheck(func(t *rapid.T) {
			x, _ := point(t, m)
			d := mat.NewDense(m.Ambient(), m.Tangent(), nil)
			m.Derivative(d, x)
			up, down, delta := make([]float64, m.Ambient()), make([]float64, m.Ambient()), make([]float64, m.Tangent())
			for k := range delta {
				delta[k] = h
				m.Plus(up, x, delta)
				delta[k] = -h
				m.Plus(down, x, delta)
				delta[k] = 0
				for i := range up {
					if got := (up[i] - down[i]) / (2 * h); math.Abs(got-d.At(i, k)) > 1e-9 {
						t.Fatalf("∂(x ⊞ δ)[%d]/∂δ[%d] = %g, numeric %g", i, k, d.At(i, k), got)
					}
				}
			}
		}))
	}
}

// A quarter turn about z carries x to y.
func TestRotationConvention(t *testing.T) {
	q := []float64{1, 0, 0, 0}
	leastsquares.Rotation{}.Plus(q, q, []float64{0, 0, math.Pi / 2})
	s := math.Sqrt(0.5)
	for i, want := range []float64{s, 0, 0, s} {
		if math.Abs(q[i]-want) > 1e-15 {
			t.Fatalf("quarter turn about z: %v, want (%g, 0, 0, %g)", q, s, s)
		}
	}
	// Moves act from the left, in the fixed frame: first about z, then about x.
	leastsquares.Rotation{}.Plus(q, q, []float64{math.Pi / 2, 0, 0})
	for i, want := range []float64{0.5, 0.5, -0.5, 0.5} { // (1,1,0,0)/√2 · (1,0,0,1)/√2
		if math.Abs(q[i]-want) > 1e-15 {
			t.Fatalf("then about x: %v, want (0.5, 0.5, -0.5, 0.5)", q)
		}
	}
}

// Within 1e-150 of the last axis squares underflow; the move must not.
func TestSphereNextToItsPole(t *testing.T) {
	for _, tiny := range []float64{0, 1e-320, 7e-155, 1e-141, 1e-139, 1e-17, 1e-9} {
		x, y, back := []float64{tiny, -tiny, 1}, make([]float64, 3), make([]float64, 2)
		leastsquares.Sphere(3).Plus(y, x, []float64{0.3, -0.4})
		leastsquares.Sphere(3).Minus(back, y, x)
		if math.Abs(y[2]-math.Cos(0.5)) > 1e-8 || math.Abs(back[0]-0.3) > 1e-14 || math.Abs(back[1]+0.4) > 1e-14 {
			t.Errorf("%g from the pole: moved to %v, back %v", tiny, y, back)
		}
	}
}
