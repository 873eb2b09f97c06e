//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	basisKernel.Add(variant.AVX2, basisLoops{
		func(b *Basis, dst, x []float64) { projectAVX2(&dst[0], &b.table[0], &x[0], b.rows, b.places) },
		func(b *Basis, dst, by []float64) { combineAVX2(&dst[0], &b.table[0], &by[0], b.rows, b.places) },
	})
	basisKernel.Add(variant.AVX512, basisLoops{
		func(b *Basis, dst, x []float64) { projectAVX512(&dst[0], &b.table[0], &x[0], b.rows, b.places) },
		func(b *Basis, dst, by []float64) { combineAVX512(&dst[0], &b.table[0], &by[0], b.rows, b.places) },
	})
}

//go:noescape
func projectAVX2(dst, table, x *float64, rows, places int)

//go:noescape
func projectAVX512(dst, table, x *float64, rows, places int)

//go:noescape
func combineAVX2(dst, table, by *float64, rows, places int)

//go:noescape
func combineAVX512(dst, table, by *float64, rows, places int)
