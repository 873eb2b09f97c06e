//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	quantiseKernel.Add(variant.AVX2, func(dst, v []float64, unit, top, step float64) (clipped int) {
		whole := len(dst) &^ 3
		if whole > 0 {
			clipped = quantiseAVX2(&dst[0], &v[0], whole, unit, -top, top-1, step)
		}
		return clipped + quantiseFrom(whole, dst, v, unit, top, step)
	})
	quantiseKernel.Add(variant.AVX512, func(dst, v []float64, unit, top, step float64) (clipped int) {
		whole := len(dst) &^ 7
		if whole > 0 {
			clipped = quantiseAVX512(&dst[0], &v[0], whole, unit, -top, top-1, step)
		}
		return clipped + quantiseFrom(whole, dst, v, unit, top, step)
	})
	countsKernel.Add(variant.AVX2, func(dst []byte, stride int, v []float64, unit float64) {
		whole := len(v) &^ 7
		if whole > 0 {
			countsAVX2(&dst[0], stride, &v[0], whole, unit)
		}
		countsFrom(whole, dst, stride, v, unit)
	})
}

//go:noescape
func countsAVX2(dst *byte, stride int, v *float64, n int, unit float64)

//go:noescape
func quantiseAVX2(dst, v *float64, n int, unit, low, high, step float64) int

//go:noescape
func quantiseAVX512(dst, v *float64, n int, unit, low, high, step float64) int
