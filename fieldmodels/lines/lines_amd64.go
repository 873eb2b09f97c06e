//go:build !purego

package lines

import "tonepose/fieldmodels/variant"

func init() {
	kernel.Add(variant.AVX2, inAVX2)
	kernel.Add(variant.AVX512, inAVX512)
}

func add(to []Line, by *float64, byRow, byTerm int, from []Line) {
	switch inUse {
	case inAVX512:
		addAVX512(&to[0][0], by, &from[0][0], len(to), len(from), 8*byRow, 8*byTerm)
	case inAVX2:
		addAVX2(&to[0][0], by, &from[0][0], len(to), len(from), 8*byRow, 8*byTerm)
	default:
		addGo(to, by, byRow, byTerm, from)
	}
}

//go:noescape
func addAVX2(to, by, from *float64, rows, terms, byRow, byTerm int)

//go:noescape
func addAVX512(to, by, from *float64, rows, terms, byRow, byTerm int)
