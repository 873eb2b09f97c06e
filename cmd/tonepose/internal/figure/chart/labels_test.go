package chart

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/plot/vg"
)

func TestSpread(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 2))
	for range 300 {
		n := 1 + random.IntN(12)
		centres, widths := make([]vg.Length, n), make([]vg.Length, n)
		for i := range centres {
			centres[i] = vg.Length(500 * random.Float64())
			widths[i] = vg.Length(5 + 30*random.Float64())
		}
		slices.Sort(centres)
		placed := Spread(centres, widths, 0, 500)
		apart := func(p []vg.Length) bool {
			ok := p[0]-widths[0]/2 >= -1e-9 && p[n-1]+widths[n-1]/2 <= 500+1e-9
			for i := 1; i < n; i++ {
				ok = ok && p[i]-p[i-1] >= (widths[i]+widths[i-1])/2-1e-9
			}
			return ok
		}
		cost := func(p []vg.Length) (sum float64) {
			for i := range p {
				sum += float64((p[i] - centres[i]) * (p[i] - centres[i]))
			}
			return sum
		}
		if !apart(placed) {
			t.Fatalf("labels overlap or leave: %v, widths %v", placed, widths)
		}
		// The problem is convex: no small move that keeps apart may cost less.
		for range 200 {
			other := slices.Clone(placed)
			i := random.IntN(n)
			j := i + 1 + random.IntN(n-i)
			move := vg.Length(random.NormFloat64() * 0.1)
			for k := i; k < j; k++ {
				other[k] += move
			}
			if apart(other) && cost(other) < cost(placed)-1e-6 {
				t.Fatalf("%v costs less than %v", other, placed)
			}
		}
	}
	if have := Spread([]vg.Length{10, 200}, []vg.Length{20, 20}, 0, 500); !cmp.Equal(have, []vg.Length{10, 200}) {
		t.Errorf("labels with room moved: %v", have)
	}
}
