package kernel

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

// One stage is what its formula says, written with powers of j, within four roundings
// of the sums and four of the product; no more is written than its numbers.
func TestQuartersMatchTheDefinition(t *testing.T) {
	varianttest.Each(t, quartersKernel, func(t *testing.T) {
		rng := rand.New(rand.NewPCG(4, 40))
		for m := 1; m <= 5; m++ {
			for s := 1; s <= 5; s++ {
				n := 4 * m * s * FourierColumns
				from, turns := random(rng, n), random(rng, 3*m)
				inside, untouched := guard[float64](t, 2*n)
				to := complexes(inside)
				Quarters(to, from, turns, s)
				untouched()
				for p := range m {
					for i := range s * FourierColumns {
						for k := range 4 {
							var want complex128
							size := 0.0
							for q := range 4 {
								v := from[q*m*s*FourierColumns+p*s*FourierColumns+i]
								want += v * []complex128{1, -1i, -1, 1i}[q*k%4]
								size += cmplx.Abs(v)
							}
							if k > 0 {
								want *= turns[3*p+k-1]
								size *= cmplx.Abs(turns[3*p+k-1])
							}
							got := to[(4*p+k)*s*FourierColumns+i]
							if !(cmplx.Abs(got-want) <= 8*0x1p-52*size) {
								t.Fatalf("m %d, s %d, turn %d, number %d, part %d: %v, want %v", m, s, p, i, k, got, want)
							}
						}
					}
				}
			}
		}
	})
}

// Stages one after the other are the discrete Fourier transform, column by column, of
// a length of 64: within 3 stages of a few roundings each of the sum of the magnitudes.
func TestQuartersMakeATransform(t *testing.T) {
	varianttest.Each(t, quartersKernel, func(t *testing.T) {
		const n = 64
		x := random(rand.New(rand.NewPCG(4, 41)), n*FourierColumns)
		a, b := append([]complex128(nil), x...), make([]complex128, len(x))
		for s := 1; s < n; s *= 4 {
			var turns []complex128
			for p := range n / (4 * s) {
				for k := 1; k <= 3; k++ {
					turns = append(turns, cmplx.Rect(1, -2*math.Pi*float64(k*p*s)/n))
				}
			}
			Quarters(b, a, turns, s)
			a, b = b, a
		}
		for c := range FourierColumns {
			for k := range n {
				var want complex128
				size := 0.0
				for i := range n {
					v := x[i*FourierColumns+c]
					want += v * cmplx.Rect(1, -2*math.Pi*float64(i*k%n)/n)
					size += cmplx.Abs(v)
				}
				if got := a[k*FourierColumns+c]; !(cmplx.Abs(got-want) <= 24*0x1p-52*size) {
					t.Fatalf("column %d, number %d: %v, want %v", c, k, got, want)
				}
			}
		}
	})
}
