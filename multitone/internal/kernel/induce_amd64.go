//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	induceKernel.Add(variant.AVX2, func(dst, re, dre []float64, m [4]float64, u, step float64) {
		whole := len(dst) &^ 3
		if whole > 0 {
			induceAVX2(&dst[0], &re[0], &dre[0], whole, &m[0], u, step)
		}
		induceFrom(whole, dst, re, dre, m, u, step)
	})
	induceKernel.Add(variant.AVX512, func(dst, re, dre []float64, m [4]float64, u, step float64) {
		whole := len(dst) &^ 7
		if whole > 0 {
			induceAVX512(&dst[0], &re[0], &dre[0], whole, &m[0], u, step)
		}
		induceFrom(whole, dst, re, dre, m, u, step)
	})
}

//go:noescape
func induceAVX2(dst, re, dre *float64, n int, m *float64, u, step float64)

//go:noescape
func induceAVX512(dst, re, dre *float64, n int, m *float64, u, step float64)
