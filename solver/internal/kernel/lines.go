package kernel

import "tonepose/fieldmodels/variant"

// LineWidth is how many numbers a Line has: room for the 18 of a motion in whole vectors.
const LineWidth = 24

// Line is a row of a small matrix, with zeros to its width.
type Line [LineWidth]float64

// AddProduct adds by·from to to: line i gets Σ_k by[i][k]·from[k]. None may overlap
// another, but that from may be lines of by.
func AddProduct(to, by, from []Line) {
	if len(by) < len(to) || len(from) > LineWidth {
		panic("kernel: AddProduct of shapes that do not fit")
	}
	addProduct(to, by, from, false)
}

// AddTransposed adds byᵀ·from to to: line i gets Σ_k by[k][i]·from[k].
func AddTransposed(to, by, from []Line) {
	if len(by) < len(from) || len(to) > LineWidth {
		panic("kernel: AddTransposed of shapes that do not fit")
	}
	addProduct(to, by, from, true)
}

// addLinesGo is the definition.
func addLinesGo(to, by, from []Line, transposed bool) {
	for i := range to {
		sum := &to[i]
		for k := range from {
			var f float64
			if transposed {
				f = by[k][i]
			} else {
				f = by[i][k]
			}
			line := &from[k]
			for j := range sum {
				sum[j] += f * line[j]
			}
		}
	}
}

// linesForm is a form of addProduct: a call through a variable would move every small
// matrix of its caller to the heap.
type linesForm int

const (
	linesGo linesForm = iota
	linesAVX2
	linesAVX512
)

var (
	lines       = linesGo
	linesKernel = variant.New("solver.Lines", &lines)
)
