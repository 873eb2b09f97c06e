//go:build !purego

package kernel

import "golang.org/x/sys/cpu"

func init() {
	if cpu.X86.HasAVX2 {
		halves = func(dst, first, last []complex128, scale []float64) {
			halvesAVX2(&dst[0], &first[0], &last[0], &scale[0], len(scale))
		}
	}
}

//go:noescape
func halvesAVX2(dst, first, last *complex128, scale *float64, channels int)
