//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	polynomialKernel.Add(variant.AVX2, func(dst, c []float64, x, step float64) {
		whole := len(dst) &^ 7
		if whole > 0 {
			polynomialAVX2(&dst[0], whole, &c[0], len(c), x, step)
		}
		polynomialFrom(whole, dst, c, x, step)
	})
	polynomialKernel.Add(variant.AVX512, func(dst, c []float64, x, step float64) {
		whole := len(dst) &^ 7
		if whole > 0 {
			polynomialAVX512(&dst[0], whole, &c[0], len(c), x, step)
		}
		polynomialFrom(whole, dst, c, x, step)
	})
}

//go:noescape
func polynomialAVX2(dst *float64, n int, c *float64, terms int, x, step float64)

//go:noescape
func polynomialAVX512(dst *float64, n int, c *float64, terms int, x, step float64)
