package kernel

import (
	"math/rand/v2"
	"slices"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

// The definition itself, of sums whose numbers are all different; no more is
// written than the channels.
func TestHalvesMatchTheDefinition(t *testing.T) {
	varianttest.Each(t, halvesKernel, testHalves)
}

func testHalves(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for channels := 1; channels <= 13; channels++ {
		r := New[float32](64, 10, channels)
		first, last := random(rng, r.Size()), random(rng, r.Size())
		scale := make([]float64, channels)
		for c := range scale {
			scale[c] = 1 + float64(c)
		}
		for i := range 5 {
			inside, untouched := guard[float64](t, 2*channels)
			got, want := complexes(inside), make([]complex128, channels)
			for c, s := range scale {
				a, b := first[r.Index(c, 2*i)], first[r.Index(c, 2*i+1)]
				x, y := last[r.Index(c, 2*i)], last[r.Index(c, 2*i+1)]
				want[c] = complex(s*((real(a)-imag(a))+(real(x)+imag(x))), s*((imag(b)-real(b))+(real(y)+imag(y))))
			}
			r.Halves(got, first, last, i, scale)
			untouched()
			if !slices.Equal(got, want) {
				t.Fatalf("%d channels, function %d: %v, want %v", channels, i, got, want)
			}
		}
	}
}
