//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	halvesKernel.Add(variant.AVX2, func(dst, first, last []complex128, scale []float64) {
		halvesAVX2(&dst[0], &first[0], &last[0], &scale[0], len(scale))
	})
}

//go:noescape
func halvesAVX2(dst, first, last *complex128, scale *float64, channels int)
