// Package lines multiplies small matrices: rows of 24 numbers each, which vectors hold
// without a rest. AddProduct, AddTransposed and AddRows differ by how the factors lie.
package lines

import (
	"unsafe"

	"tonepose/fieldmodels/variant"
)

// Width is how many numbers a Line has.
const Width = 24

// Line is a row of a matrix, with zeros to its width.
type Line [Width]float64

// AddProduct adds by·from to to: line i gets Σ_k by[i][k]·from[k]. The lines of to must
// not be among the others.
func AddProduct(to, by, from []Line) {
	if len(by) < len(to) || len(from) > Width {
		panic("lines: AddProduct of shapes that do not fit")
	}
	if len(to) > 0 && len(from) > 0 {
		add(to, &by[0][0], Width, 1, from)
	}
}

// AddTransposed adds byᵀ·from to to: line i gets Σ_k by[k][i]·from[k].
func AddTransposed(to, by, from []Line) {
	if len(by) < len(from) || len(to) > Width {
		panic("lines: AddTransposed of shapes that do not fit")
	}
	if len(to) > 0 && len(from) > 0 {
		add(to, &by[0][0], 1, Width, from)
	}
}

// AddRows adds by·from to to, by being rows of any length stride apart: line i gets
// Σ_k by[i·stride+k]·from[k].
func AddRows(to []Line, by []float64, stride int, from []Line) {
	if len(to) == 0 || len(from) == 0 {
		return
	}
	if stride < len(from) || len(by) < (len(to)-1)*stride+len(from) {
		panic("lines: AddRows of shapes that do not fit")
	}
	add(to, &by[0], stride, 1, from)
}

// addGo is the definition: line i gets Σ_k f[i·byRow+k·byTerm]·from[k], f from by on.
func addGo(to []Line, by *float64, byRow, byTerm int, from []Line) {
	factors := unsafe.Slice(by, (len(to)-1)*byRow+(len(from)-1)*byTerm+1)
	for i := range to {
		sum := &to[i]
		for k := range from {
			f, line := factors[i*byRow+k*byTerm], &from[k]
			for j := range sum {
				sum[j] += f * line[j]
			}
		}
	}
}

// form is which code add runs: a call through a variable would move every small matrix
// of its caller to the heap.
type form int

const (
	inGo form = iota
	inAVX2
	inAVX512
)

var (
	inUse  = inGo
	kernel = variant.New("lines.Add", &inUse)
)
