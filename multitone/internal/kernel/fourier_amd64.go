//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	for _, k := range []struct {
		kernel      *variant.Kernel[stage]
		avx2, wider loop
	}{{quartersKernel, quartersAVX2, quartersAVX512}, {threesKernel, odds3AVX2, odds3AVX512}, {fivesKernel, odds5AVX2, odds5AVX512}} {
		k.kernel.Add(variant.AVX2, k.avx2.stage())
		k.kernel.Add(variant.AVX512, k.wider.stage())
	}
	taperColumnsKernel.Add(variant.AVX2, func(to []complex128, x, y, taper []float64, across int, meanX, meanY float64) {
		taperColumnsAVX2(&to[0], &x[0], &y[0], &taper[0], len(to)/FourierColumns, 8*uintptr(across), meanX, meanY)
	})
	turnTilesKernel.Add(variant.AVX2, func(to, from, turns []complex128, step int) {
		turnTilesAVX2(&to[0], &from[0], &turns[0], len(from)/(FourierColumns*FourierColumns), 16*uintptr(step))
	})
	addPowersKernel.Add(variant.AVX2, func(sum []float64, z []complex128) {
		addPowersAVX2(&sum[0], &z[0], len(sum))
	})
}

// loop is a stage in assembly.
type loop func(to, from, turns *complex128, m, s int)

func (l loop) stage() stage {
	return func(to, from, turns []complex128, m, s int) { l(&to[0], &from[0], &turns[0], m, s) }
}

//go:noescape
func odds3AVX2(to, from, turns *complex128, m, s int)

//go:noescape
func odds3AVX512(to, from, turns *complex128, m, s int)

//go:noescape
func odds5AVX2(to, from, turns *complex128, m, s int)

//go:noescape
func odds5AVX512(to, from, turns *complex128, m, s int)

//go:noescape
func taperColumnsAVX2(to *complex128, x, y, taper *float64, rows int, step uintptr, meanX, meanY float64)

//go:noescape
func turnTilesAVX2(to, from, turns *complex128, tiles int, step uintptr)

//go:noescape
func addPowersAVX2(sum *float64, z *complex128, n int)

//go:noescape
func quartersAVX2(to, from, turns *complex128, m, s int)

//go:noescape
func quartersAVX512(to, from, turns *complex128, m, s int)
