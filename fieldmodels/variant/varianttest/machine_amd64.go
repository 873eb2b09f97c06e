//go:build !purego

package varianttest

import "tonepose/fieldmodels/variant"

// vectors is the widest machine here; nil: none.
func vectors() *machine {
	switch {
	case len(variant.AVX512.Missing()) == 0:
		return &machine{"avx512", 8, singlesAVX512, doublesAVX512, chainAVX512, quotientsAVX512, rootsAVX512, readAVX512}
	case len(variant.AVX2.Missing()) == 0:
		return &machine{"avx2", 4, singlesAVX2, doublesAVX2, chainAVX2, quotientsAVX2, rootsAVX2, readAVX2}
	}
	return nil
}

func singlesAVX2(rounds int)
func doublesAVX2(rounds int)
func chainAVX2(rounds int)
func quotientsAVX2(rounds int)
func rootsAVX2(rounds int)
func singlesAVX512(rounds int)
func doublesAVX512(rounds int)
func chainAVX512(rounds int)
func quotientsAVX512(rounds int)
func rootsAVX512(rounds int)

//go:noescape
func readAVX2(p *byte, n int)

//go:noescape
func readAVX512(p *byte, n int)
