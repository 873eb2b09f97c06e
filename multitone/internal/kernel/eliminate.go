package kernel

import "math"

// Systems of equations for which a basis is the matrix: row i is function i.

// Eliminate makes of the leading n columns of n rows, a positive definite matrix of which the part
// below the diagonal is not read, its factor U, A = UᵀU, and of the columns C behind them U⁻ᵀ·C. Below the
// diagonal is Uᵀ then, where its columns lie side by side. False: the matrix is not positive definite.
func (b *Basis) Eliminate(n int) bool {
	head := b.head()
	by, sum := make([]float64, roundUp(n, basisRows)), make([]float64, b.places)
	for i := range n {
		row := b.Row(i)
		copy(by, row[:i])
		head.first(i, sum, by)
		for j := i; j < len(row); j++ {
			row[j] -= sum[j]
		}
		if !(row[i] > 0) {
			return false
		}
		scale := 1 / math.Sqrt(row[i])
		for j := i; j < len(row); j++ {
			row[j] *= scale
		}
		for j := i + 1; j < n; j++ {
			b.table[j*b.places+i] = row[j]
		}
	}
	return true
}

// Forward makes of the first n rows of x U⁻ᵀ times them, U being what Eliminate has left. All rows
// before the given one are zero.
func (b *Basis) Forward(x *Basis, n, from int) {
	by := make([]float64, roundUp(n, basisRows))
	sum := make([]float64, x.places)
	head := x.head()
	for i := from; i < n; i++ {
		copy(by[from:], b.Row(i)[from:i])
		head.first(i, sum, by)
		x.settle(i, sum, b.Row(i)[i])
	}
}

// Back makes of the first n rows of x U⁻¹ times them.
func (b *Basis) Back(x *Basis, n int) {
	by := make([]float64, roundUp(n, basisRows))
	sum := make([]float64, x.places)
	x.turn(n) // the rows that are known come first
	head := x.head()
	for i := range n {
		row := b.Row(n - 1 - i)
		for k := range i {
			by[k] = row[n-1-k]
		}
		head.first(i, sum, by)
		x.settle(i, sum, row[n-1-i])
	}
	x.turn(n)
}

// head is to be asked for sums of the first functions.
func (b *Basis) head() *Basis { return &Basis{places: b.places, table: b.table} }

// first sets dst to the sum of the first n functions times by, which is zero up to the next whole number of rows.
func (b *Basis) first(n int, dst, by []float64) {
	if n == 0 {
		clear(dst)
		return
	}
	b.rows = roundUp(n, basisRows)
	b.Combine(dst, by)
}

// settle takes what is known off a row and divides what is left.
func (b *Basis) settle(i int, known []float64, by float64) {
	row := b.Row(i)
	for j, v := range known {
		row[j] = (row[j] - v) / by
	}
}

// turn puts the first n rows in reverse order.
func (b *Basis) turn(n int) {
	for i := range n / 2 {
		first, last := b.Row(i), b.Row(n-1-i)
		for j, v := range first {
			first[j], last[j] = last[j], v
		}
	}
}
