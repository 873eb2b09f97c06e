// Package kernel holds the inner loops of the pose solver: eight lanes of
// couplings, their derivatives and the sums of a normal matrix.
//
// Everything is laid out in Vec, eight float64 side by side: eight emitters seen by
// one coil. Each kernel has a Go twin, which defines the result; on amd64 it is
// replaced by AVX-512 or AVX2 code whose sums may differ by rounding.
package kernel

import "tonepose/fieldmodels/variant"

// Lanes is the width of a Vec.
const Lanes = 8

// Vec is one quantity in every lane.
type Vec [Lanes]float64

// Dipole is a point emitter in every lane: position x, y, z [m] and μ0/4π times
// the moment per ampere x, y, z [T·m³/A]. A lane without an emitter holds a
// zero moment at a position that no coil reaches.
type Dipole [6]Vec

// Point is a point pickup: its centre x, y, z [m], its axis times AreaTurns
// x, y, z [m²] and the arm from the point about which the sensor rotates to its
// centre x, y, z [m], all in the rig frame.
type Point [9]float64

// Datum is a coupling [H] and the inverse of its standard deviation [1/H] in
// every lane; the latter is zero where nothing was observed.
type Datum [2]Vec

// Columns of a Row: derivatives by the position x, y, z and by the rotation
// δx, δy, δz, and the residual model minus observation, all over the standard
// deviation of the coupling.
const Columns = 7

// Row is one line of the weighted Jacobian with its residual in every lane.
type Row [Columns]Vec

// Products counts the entries of a Sum.
const Products = Columns * (Columns + 1) / 2

// Sum is the upper triangle, row by row, of the products of the columns of a
// Row, summed over rows and lanes: the normal matrix, the gradient (last column)
// and chi-square (last entry).
type Sum [Products]float64

// At is the index of the product of columns i ≤ j in a Sum.
func At(i, j int) int { return i*Columns - i*(i-1)/2 + j - i }

func normalGo(sum *Sum, rows []Row) {
	*sum = Sum{}
	for k := range rows {
		n := 0
		for i := range Columns {
			a := &rows[k][i]
			for j := i; j < Columns; j++ {
				b := &rows[k][j]
				sum[n] += a[0]*b[0] + a[1]*b[1] + (a[2]*b[2] + a[3]*b[3]) + (a[4]*b[4] + a[5]*b[5] + (a[6]*b[6] + a[7]*b[7]))
				n++
			}
		}
	}
}

// Normal sums the products of all rows over rows and lanes.
func Normal(sum *Sum, rows []Row) {
	if len(rows) == 0 {
		*sum = Sum{}
		return
	}
	normal(sum, rows)
}

// The kernels in use, and the registry that chose them.
var (
	dipoleRows = dipoleRowsGo
	normal     = normalGo
	score      = scoreGo
	least      = leastGo
	below      = belowGo

	dipoleRowsKernel = variant.New("solver.DipoleRows", &dipoleRows)
	normalKernel     = variant.New("solver.Normal", &normal)
	scoreKernel      = variant.New("solver.Score", &score)
	leastKernel      = variant.New("solver.Least", &least)
	belowKernel      = variant.New("solver.Below", &below)
)
