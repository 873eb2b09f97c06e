//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	linesKernel.Add(variant.AVX2, linesAVX2)
	linesKernel.Add(variant.AVX512, linesAVX512)
}

func addProduct(to, by, from []Line, transposed bool) {
	if lines == linesGo {
		addLinesGo(to, by, from, transposed)
		return
	}
	if len(to) == 0 || len(from) == 0 {
		return
	}
	byRow, byTerm := 8*LineWidth, 8
	if transposed {
		byRow, byTerm = byTerm, byRow
	}
	if lines == linesAVX512 {
		addLinesAVX512(&to[0][0], &by[0][0], &from[0][0], len(to), len(from), byRow, byTerm)
	} else {
		addLinesAVX2(&to[0][0], &by[0][0], &from[0][0], len(to), len(from), byRow, byTerm)
	}
}

//go:noescape
func addLinesAVX2(to, by, from *float64, rows, terms, byRow, byTerm int)

//go:noescape
func addLinesAVX512(to, by, from *float64, rows, terms, byRow, byTerm int)
