package kernel

import (
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

// Every variant and the Go version round t twice and each term's product and sum, at most
// 2·terms + 2·terms times, of the sum of the terms' sizes: 2⁻⁵³ each.
func TestPolynomialMatchesGo(t *testing.T) {
	guard := math.Float64frombits(0x7ff8dead00000001)
	varianttest.Each(t, polynomialKernel, func(t *testing.T) {
		r := rand.New(rand.NewPCG(1, 1))
		for n := range 40 {
			for odd := range 4 {
				for _, terms := range []int{2, 3, 18} {
					c, got := make([]float64, terms+1), make([]float64, odd+n+1)
					for k := range c {
						c[k] = r.NormFloat64()
					}
					for i := range got {
						got[i] = guard
					}
					c[terms] = guard
					x, step := r.Float64()-1, 0.05*r.Float64()
					Polynomial(got[odd:odd+n], c[:terms], x, step)
					for i, v := range got {
						if i < odd || i == odd+n {
							if math.Float64bits(v) != math.Float64bits(guard) {
								t.Fatalf("n = %d: written beside the output", n)
							}
							continue
						}
						at := x + float64(i-odd)*step
						want, size, power := 0.0, 0.0, 1.0
						for k := range terms {
							want += c[k] * power
							size += math.Abs(c[k] * power)
							power *= at
						}
						if math.Abs(v-want) > float64(8*terms)*0x1p-53*size {
							t.Fatalf("n = %d, %d terms: sample %d is %g, want %g", n, terms, i-odd, v, want)
						}
					}
				}
			}
		}
	})
}
