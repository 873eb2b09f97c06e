package fieldmodels

import (
	"errors"
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/variant/varianttest"
)

// F of every side against its formula in 300 bits, where nothing cancels, at distances
// from a wire down to 1e-8 of the coil. Some ten roundings reach F, each by a factor of
// one at most, as R1·R2 + r1·r2 is only formed where that is more than R1·R2.
func TestRectangleSides(t *testing.T) {
	const tol = 16 * 0x1p-53
	bits := func(x float64) *big.Float { return new(big.Float).SetPrec(300).SetFloat64(x) }
	varianttest.Each(t, rectangleKernel, func(t *testing.T) {
		rng := rand.New(rand.NewPCG(61, 62))
		for range 3000 {
			r := Rectangle{Width: 0.02 + 0.1*rng.Float64(), Height: 0.02 + 0.1*rng.Float64()}
			var s sides
			near := func() float64 {
				return math.Copysign(math.Pow(10, -1-9*rng.Float64()), rng.Float64()-0.5)
			}
			// The point's place from the sides, the far ones rounded: any rounded
			// coordinates are those of some point to a few roundings of the length.
			p := r3.Vec{X: r.Width/2 + near(), Y: r.Height/2 + near(), Z: near()}
			if !s.see(r, p) {
				continue
			}
			z, got := p.Z, s
			for i, side := range [4]struct{ length, u, s1, s2 float64 }{
				{r.Height, s.x1, s.y2, s.y1}, {r.Height, s.x2, s.y2, s.y1}, {r.Width, s.y1, s.x2, s.x1}, {r.Width, s.y2, s.x2, s.x1},
			} {
				square := func(a float64) *big.Float { return new(big.Float).Mul(bits(a), bits(a)) }
				d2 := new(big.Float).Add(square(side.u), square(z))
				r1 := new(big.Float).Sqrt(new(big.Float).Add(d2, square(side.s1)))
				r2 := new(big.Float).Sqrt(new(big.Float).Add(d2, square(side.s2)))
				product := new(big.Float).Mul(r1, r2)
				q := new(big.Float).Add(product, new(big.Float).Add(d2, new(big.Float).Mul(bits(side.s1), bits(side.s2))))
				want := new(big.Float).Quo(new(big.Float).Mul(bits(side.length), new(big.Float).Add(r1, r2)), new(big.Float).Mul(product, q))
				// Where the ends' coordinates differ from the length by their rounding,
				// L²D² is not (R1·R2)² − dot² but to that, once.
				f, _ := want.Float64()
				rounded := 2 * math.Abs(side.s1-side.s2-side.length) / side.length
				if !(math.Abs(got.f[i]-f) <= (tol+rounded)*f) {
					t.Fatalf("%+v at %v, %v, %v, side %d: %g, want %g (off by %.1e)", r, s.x1, s.y1, z, i, got.f[i], f, math.Abs(got.f[i]/f-1))
				}
			}
		}
	})
}

// A point counts as on the wire below 1e-9 of a side's length, beside each side and
// each corner, and not beyond an end.
func TestRectangleOnConductor(t *testing.T) {
	r := Rectangle{Width: 0.06, Height: 0.04, Turns: 1}
	varianttest.Each(t, rectangleKernel, func(t *testing.T) {
		for _, c := range []struct {
			x, y, z float64 // from the corner at +Width/2, +Height/2
			on      bool
		}{
			{0, -0.01, 0, true}, {-0.01, 0, 0, true}, {0, -0.01, 0.3e-10, true}, {0, -0.01, 0.6e-10, false},
			{-0.01, 0, -0.5e-10, true}, {-0.01, 0, -0.8e-10, false}, {0, 0, 0, true}, {0, 0.01, 0, false}, {0.01, 0, 0, false},
			{-0.06, -0.01, 0, true}, {-0.01, -0.04, 0, true}, {-0.06, -0.04, 0.3e-10, true},
		} {
			_, err := r.Field(r3.Vec{X: r.Width/2 + c.x, Y: r.Height/2 + c.y, Z: c.z})
			if on := errors.Is(err, ErrOnConductor); on != c.on {
				t.Errorf("at %+v: on the conductor: %v", c, on)
			}
		}
	})
}
