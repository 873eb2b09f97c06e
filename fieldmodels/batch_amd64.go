//go:build !purego

package fieldmodels

import "golang.org/x/sys/cpu"

// ringLanes is how many points a vector kernel takes at once: 8 with AVX-512, 4
// with AVX2, 0 without either.
var ringLanes = func() int {
	switch {
	case cpu.X86.HasAVX512F && cpu.X86.HasAVX512DQ:
		return 8
	case cpu.X86.HasAVX2 && cpu.X86.HasFMA:
		return 4
	}
	return 0
}()

// ringFieldsVector does what ringFieldsGo does for the first points, as many as
// fill whole vectors, and returns how many these are.
func ringFieldsVector(k *ring, bx, by, bz, x, y, z []float64) int {
	if ringLanes == 0 || len(x) < ringLanes {
		return 0
	}
	blocks := len(x) / ringLanes
	if ringLanes == 8 {
		ringFieldsAVX512(k, &bx[0], &by[0], &bz[0], &x[0], &y[0], &z[0], blocks)
	} else {
		ringFieldsAVX2(k, &bx[0], &by[0], &bz[0], &x[0], &y[0], &z[0], blocks)
	}
	return blocks * ringLanes
}

// ringFieldsAVX512 is ringFieldsGo for blocks of eight points.
//
//go:noescape
func ringFieldsAVX512(k *ring, bx, by, bz, x, y, z *float64, blocks int)

// ringFieldsAVX2 is ringFieldsGo for blocks of four points.
//
//go:noescape
func ringFieldsAVX2(k *ring, bx, by, bz, x, y, z *float64, blocks int)
