package fieldmodels

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Every kernel against the loops one by one, for any number of them.
func TestRingStackMatchesLoops(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	for level := range stackRingsKernel.Each() {
		for n := 0; n <= 2*ringPlaces+3; n++ {
			s, near := 0.04*rng.Float64(), math.Inf(1)
			stack := &ringStack{s: s, fieldOnly: n%2 == 1}
			var want, size axialJet
			for range n {
				l := Loop{Radius: 0.01 + 0.05*rng.Float64(), Turns: rng.NormFloat64()}
				z := 0.2 * rng.NormFloat64()
				stack.add(l.Radius, l.Turns, z, 0, []float64{0}, []float64{1})
				jet, err := l.axialGradient(s, z)
				if err != nil {
					t.Fatal(err)
				}
				want.add(1, jet)
				size.add(1, axialJet{math.Abs(jet.bz), math.Abs(jet.g), math.Abs(jet.h), math.Abs(jet.gz)})
				near = min(near, math.Hypot(math.Sqrt(s)-l.Radius, z)/(l.Radius+math.Sqrt(s)+math.Abs(z)))
			}
			got := stack.sum()
			if stack.fieldOnly {
				if got.h != 0 || got.gz != 0 {
					t.Fatalf("%s, %d loops: derivatives %g, %g, want none", level.Name, n, got.h, got.gz)
				}
				got.h, got.gz = want.h, want.gz
			}
			// Roundings of some 2⁻⁵³ in another order, and of distances, which the one to
			// the wire divides; derivatives cancel where they change their sign.
			tol := 100 * 0x1p-53 * (1 + 1/near)
			scale := size.bz/0.05 + size.g
			for name, d := range map[string][3]float64{
				"bz": {got.bz, want.bz, size.bz + 0.05*size.g}, "g": {got.g, want.g, scale}, "h": {got.h, want.h, size.h + scale/(0.01*0.01)}, "gz": {got.gz, want.gz, size.gz + scale/0.01},
			} {
				if !(math.Abs(d[0]-d[1]) <= tol*d[2]) {
					t.Fatalf("%s, %d loops: %s is %g, want %g ± %.1g", level.Name, n, name, d[0], d[1], tol*d[2])
				}
			}
		}
	}
}
