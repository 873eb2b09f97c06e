package kernel

import (
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

// A sum of n products of which each is rounded once with its sum errs by n·2⁻⁵³ of the sum
// of their sizes at most, in whatever order.
func TestBasis(t *testing.T) {
	guard := math.Float64frombits(0x7ff8dead00000001)
	varianttest.Each(t, basisKernel, func(t *testing.T) {
		r := rand.New(rand.NewPCG(4, 32))
		for _, rows := range []int{1, 3, 4, 5, 8, 26} {
			for _, places := range []int{1, 4, 31, 32, 33, 64, 200} {
				b := NewBasis(rows, places)
				if b.Rows() < rows || b.Places() < places {
					t.Fatalf("%d × %d for %d × %d", b.Rows(), b.Places(), rows, places)
				}
				for i := range rows {
					for n := range places {
						b.Row(i)[n] = r.NormFloat64()
					}
				}
				vector := func(n int) (guarded []float64) {
					for range n + 2 {
						guarded = append(guarded, r.NormFloat64())
					}
					guarded[0], guarded[n+1] = guard, guard
					return guarded
				}
				check := func(what string, got []float64, terms int, term func(i, k int) float64) {
					for _, at := range []int{0, len(got) - 1} {
						if math.Float64bits(got[at]) != math.Float64bits(guard) {
							t.Fatalf("%s of %d × %d: written beside the output", what, rows, places)
						}
					}
					for i, v := range got[1 : len(got)-1] {
						want, size := 0.0, 0.0
						for k := range terms {
							want += term(i, k)
							size += math.Abs(term(i, k))
						}
						if math.Abs(v-want) > 2*float64(terms)*0x1p-53*size {
							t.Fatalf("%s of %d × %d: %d is %g, want %g", what, rows, places, i, v, want)
						}
					}
				}
				x, y := vector(b.Places()), vector(b.Rows())
				b.Project(y[1:len(y)-1], x[1:len(x)-1])
				check("projection", y, b.Places(), func(i, k int) float64 { return b.Row(i)[k] * x[1+k] })
				y = vector(b.Rows())
				b.Combine(x[1:len(x)-1], y[1:len(y)-1])
				check("combination", x, b.Rows(), func(i, k int) float64 { return b.Row(k)[i] * y[1+k] })
			}
		}
	})
}
