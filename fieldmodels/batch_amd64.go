//go:build !purego

package fieldmodels

import "tonepose/fieldmodels/variant"

func init() {
	ringFieldsKernel.Add(variant.AVX2, ringFieldsBy4)
	ringFieldsKernel.Add(variant.AVX512, ringFieldsBy8)
}

// ringFieldsAVX512 is ringFieldsGo for blocks of eight points.
//
//go:noescape
func ringFieldsAVX512(k *ring, bx, by, bz, x, y, z *float64, blocks int)

// ringFieldsAVX2 is ringFieldsGo for blocks of four points.
//
//go:noescape
func ringFieldsAVX2(k *ring, bx, by, bz, x, y, z *float64, blocks int)

// The points that fill whole blocks go to the assembly, the rest to Go.

func ringFieldsBy4(k ring, bx, by, bz, x, y, z []float64) {
	done := len(x) &^ 3
	if done > 0 {
		ringFieldsAVX2(&k, &bx[0], &by[0], &bz[0], &x[0], &y[0], &z[0], done/4)
	}
	ringFieldsGo(k, bx[done:], by[done:], bz[done:], x[done:], y[done:], z[done:])
}

func ringFieldsBy8(k ring, bx, by, bz, x, y, z []float64) {
	done := len(x) &^ 7
	if done > 0 {
		ringFieldsAVX512(&k, &bx[0], &by[0], &bz[0], &x[0], &y[0], &z[0], done/8)
	}
	ringFieldsGo(k, bx[done:], by[done:], bz[done:], x[done:], y[done:], z[done:])
}
