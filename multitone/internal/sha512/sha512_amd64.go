//go:build !purego

package sha512

import "tonepose/fieldmodels/variant"

func init() {
	blocksKernel.Add(variant.AVX2, assembly(blocksAVX2))
	blocksKernel.Add(variant.AVX512, assembly(blocksAVX512))
}

//go:noescape
func blocksAVX2(state, k *uint64, p *byte, n int)

//go:noescape
func blocksAVX512(state, k *uint64, p *byte, n int)

func assembly(loop func(state, k *uint64, p *byte, n int)) func(*[8]uint64, *[80]uint64, []byte) {
	return func(state *[8]uint64, k *[80]uint64, p []byte) {
		if n := len(p) / block; n > 0 {
			loop(&state[0], &k[0], &p[0], n)
		}
	}
}
