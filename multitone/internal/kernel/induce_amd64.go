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
	rotateKernel.Add(variant.AVX2, func(re, im, dre, dim, c, s []float64, z complex128, omega float64) {
		whole := len(re) &^ 3
		if whole > 0 {
			rotateAVX2(&re[0], &im[0], &dre[0], &dim[0], &c[0], &s[0], whole, real(z), imag(z), omega)
		}
		rotateFrom(whole, re, im, dre, dim, c, s, z, omega)
	})
	rotateKernel.Add(variant.AVX512, func(re, im, dre, dim, c, s []float64, z complex128, omega float64) {
		whole := len(re) &^ 7
		if whole > 0 {
			rotateAVX512(&re[0], &im[0], &dre[0], &dim[0], &c[0], &s[0], whole, real(z), imag(z), omega)
		}
		rotateFrom(whole, re, im, dre, dim, c, s, z, omega)
	})
}

//go:noescape
func induceAVX2(dst, re, dre *float64, n int, m *float64, u, step float64)

//go:noescape
func induceAVX512(dst, re, dre *float64, n int, m *float64, u, step float64)

//go:noescape
func rotateAVX2(re, im, dre, dim, c, s *float64, n int, x, y, omega float64)

//go:noescape
func rotateAVX512(re, im, dre, dim, c, s *float64, n int, x, y, omega float64)
