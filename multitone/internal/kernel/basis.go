package kernel

import "tonepose/fieldmodels/variant"

// Basis is functions on a grid: what is sampled there is projected on them, and made of
// them again.
type Basis struct {
	rows, places int
	table        []float64 // padded rows × padded places, zeros beyond both
}

const (
	basisRows   = 4
	basisPlaces = 32
)

// NewBasis has all functions zero.
func NewBasis(rows, places int) *Basis {
	return NewBasisIn(make([]float64, BasisSize(rows, places)), rows, places)
}

// BasisSize is how many numbers a basis takes.
func BasisSize(rows, places int) int { return roundUp(rows, basisRows) * roundUp(places, basisPlaces) }

// NewBasisIn is NewBasis in memory that holds zeros, BasisSize of them.
func NewBasisIn(zeros []float64, rows, places int) *Basis {
	return &Basis{rows: roundUp(rows, basisRows), places: roundUp(places, basisPlaces), table: zeros}
}

// Memory is what a basis is in.
func (b *Basis) Memory() []float64 { return b.table }

// Row is function i on the grid, to be written.
func (b *Basis) Row(i int) []float64 { return b.table[i*b.places : (i+1)*b.places] }

// Rows and Places are the lengths of what Project and Combine take: those of the basis,
// rounded up. Beyond the basis itself the results are zero.
func (b *Basis) Rows() int   { return b.rows }
func (b *Basis) Places() int { return b.places }

// Project sets dst to the sums of each function times x.
func (b *Basis) Project(dst, x []float64) { basis.project(b, dst[:b.rows], x[:b.places]) }

// Combine sets dst to the sum of the functions times by.
func (b *Basis) Combine(dst, by []float64) { basis.combine(b, dst[:b.places], by[:b.rows]) }

type basisLoops struct {
	project, combine func(b *Basis, dst, from []float64)
}

var (
	basis       = basisLoops{projectGo, combineGo}
	basisKernel = variant.New("multitone.Basis", &basis)
)

func projectGo(b *Basis, dst, x []float64) {
	for i := range dst {
		sum := 0.0
		for n, v := range b.Row(i)[:len(x)] {
			sum += v * x[n]
		}
		dst[i] = sum
	}
}

func combineGo(b *Basis, dst, by []float64) {
	clear(dst)
	for i, a := range by {
		for n, v := range b.Row(i)[:len(dst)] {
			dst[n] += a * v
		}
	}
}
