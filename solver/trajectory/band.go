package trajectory

import (
	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
)

// columns is the number of unknowns that one window of a spline depends on: its nodes
// reach into the neighbouring segment.
const columns = 6 * (order + 1)

// band is a symmetric matrix of the unknowns of a spline, upper triangle, with as many
// diagonals as windows join; its cost is linear in the number of knots.
type band struct {
	n    int
	data []float64 // row i from column i on
}

func newBand(n int) *band { return &band{n, make([]float64, n*columns)} }

func (b *band) at(i, j int) *float64 {
	if i > j {
		i, j = j, i
	}
	return &b.data[i*columns+j-i]
}

// addSquare adds weight·rowᵀ·row for a row that starts at an unknown.
func (b *band) addSquare(first int, row []float64, weight float64) {
	row = row[:min(len(row), b.n-first)] // derivatives by control points beyond the last are zero
	for p, v := range row {
		if v == 0 {
			continue
		}
		to := b.data[(first+p)*columns:][:len(row)-p]
		v *= weight
		for q, w := range row[p:] {
			to[q] += v * w
		}
	}
}

// factor is the Cholesky factor of a band with its diagonal times 1 + damping; false
// where that is not positive definite.
func (b *band) factor(damping float64) (blas64.TriangularBand, bool) {
	data := make([]float64, len(b.data))
	copy(data, b.data)
	for i := range b.n {
		data[i*columns] *= 1 + damping
	}
	return lapack64.Pbtrf(blas64.SymmetricBand{Uplo: blas.Upper, N: b.n, K: min(columns, b.n) - 1, Data: data, Stride: columns})
}

// inverse is that part of the inverse which lies within the band, by Takahashi's
// recurrence from the last row up.
//
// Source: Erisman and Tinney, On computing certain elements of the inverse of a sparse
// matrix, Communications of the ACM 18(3), 1975.
func inverse(u blas64.TriangularBand) *band {
	z := newBand(u.N)
	var row [columns]float64
	for i := u.N - 1; i >= 0; i-- {
		factor := u.Data[i*u.Stride:][:min(u.K+1, u.N-i)]
		own := 1 / factor[0]
		// Σ_k U_ik·Z_kj = δ_ij/U_ii
		for j := len(factor) - 1; j > 0; j-- {
			v := 0.0
			for k := 1; k < j; k++ {
				v -= factor[k] * z.data[(i+k)*columns+j-k]
			}
			for k, w := range z.data[(i+j)*columns:][:len(factor)-j] {
				v -= factor[j+k] * w
			}
			row[j] = v * own
		}
		v := own
		for k := 1; k < len(factor); k++ {
			v -= factor[k] * row[k]
		}
		row[0] = v * own
		copy(z.data[i*columns:], row[:len(factor)])
	}
	return z
}
