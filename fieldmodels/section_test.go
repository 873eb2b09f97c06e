package fieldmodels

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"

	"tonepose/fieldmodels/variant/varianttest"
)

// Every kernel against loops one by one at the Gauss points, for every number of them.
func TestSectionMatchesLoops(t *testing.T) {
	var x, w [gaussLimit + 1][]float64
	for n := 1; n <= gaussLimit; n++ {
		x[n], w[n] = make([]float64, n), make([]float64, n)
		quad.Legendre{}.FixedLocations(x[n], w[n], -1, 1)
	}
	varianttest.Each(t, sectionKernel, func(t *testing.T) {
		rng := rand.New(rand.NewPCG(31, 32))
		for across := 1; across <= gaussLimit; across++ {
			for along := 1; along <= gaussLimit; along++ {
				middle, turns := 0.02+0.05*rng.Float64(), rng.NormFloat64()
				c := section{
					middle: middle, half: 0.9 * middle * rng.Float64(), length: 0.03 * rng.Float64(), current: Mu0 * turns,
					s: 0.04 * rng.Float64(), z: 0.2 * rng.NormFloat64(),
				}
				near := math.Inf(1)
				var want, size axialJet
				for i, u := range x[across] {
					for j, v := range x[along] {
						l := Loop{Radius: c.middle + c.half*u, Turns: turns * w[across][i] * w[along][j] / 4}
						z := c.z - c.length*v
						jet, err := l.axialGradient(c.s, z)
						if err != nil {
							t.Fatal(err)
						}
						want.add(1, jet)
						size.add(1, axialJet{math.Abs(jet.bz), math.Abs(jet.g), math.Abs(jet.h), math.Abs(jet.gz)})
						near = min(near, math.Hypot(math.Sqrt(c.s)-l.Radius, z)/(l.Radius+math.Sqrt(c.s)+math.Abs(z)))
					}
				}
				got := c.gradient(across, along)
				// Roundings of some 2⁻⁵³ in another order, and of distances, which the one to
				// the wire divides; derivatives cancel where they change their sign.
				tol := 100 * 0x1p-53 * (1 + 1/near)
				scale := size.bz/0.05 + size.g
				for name, d := range map[string][3]float64{
					"bz": {got.bz, want.bz, size.bz + 0.05*size.g}, "g": {got.g, want.g, scale}, "h": {got.h, want.h, size.h + scale/(0.01*0.01)}, "gz": {got.gz, want.gz, size.gz + scale/0.01},
				} {
					if !(math.Abs(d[0]-d[1]) <= tol*d[2]) {
						t.Fatalf("%d × %d loops: %s is %g, want %g ± %.1g", across, along, name, d[0], d[1], tol*d[2])
					}
				}
				// The field alone is the same sum.
				if bz, g := c.field(across, along); !(math.Abs(bz-want.bz) <= tol*(size.bz+0.05*size.g) && math.Abs(g-want.g) <= tol*scale) {
					t.Fatalf("%d × %d loops: the field alone is %g, %g, want %g, %g", across, along, bz, g, want.bz, want.g)
				}
			}
		}
	})
}
