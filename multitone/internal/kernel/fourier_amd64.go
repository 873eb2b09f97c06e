//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	quartersKernel.Add(variant.AVX2, func(to, from, turns []complex128, m, s int) {
		quartersAVX2(&to[0], &from[0], &turns[0], m, s)
	})
	quartersKernel.Add(variant.AVX512, func(to, from, turns []complex128, m, s int) {
		quartersAVX512(&to[0], &from[0], &turns[0], m, s)
	})
}

//go:noescape
func quartersAVX2(to, from, turns *complex128, m, s int)

//go:noescape
func quartersAVX512(to, from, turns *complex128, m, s int)
