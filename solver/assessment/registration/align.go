package registration

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// alignment is y ≈ scale·rotation·x + shift in any number of dimensions.
type alignment struct {
	rotation *mat.Dense
	shift    []float64
	scale    float64
	mse      float64 // weighted mean of the squared distances
	// gap is by how much the second smallest singular value, the smallest one's
	// sign taken in, stands above zero, over the largest: 0 when a rotation is not determined.
	gap float64
}

// align minimises Σ w|y − scale·R·x − t|² over proper rotations, points as rows.
// Scale is 1 unless it is to be fitted.
//
// Source: Umeyama, IEEE Trans. PAMI 13(4), 1991, eqs. (39) to (43); for three
// dimensions and no scale the minimiser is that of Horn, J. Opt. Soc. Am. A
// 4(4), 1987.
func align(x, y *mat.Dense, weight []float64, fitScale bool) alignment {
	n, m := x.Dims()
	if weight == nil {
		weight = slices.Repeat([]float64{1}, n)
	}
	total := floats.Sum(weight)
	// Rows less their mean, by the root of their share of the weight.
	center := func(a *mat.Dense) (*mat.Dense, []float64) {
		rows, mean := mat.DenseCopyOf(a), make([]float64, m)
		for k := range mean {
			mean[k] = stat.Mean(mat.Col(nil, k, a), weight)
		}
		for i, w := range weight {
			floats.Sub(rows.RawRowView(i), mean)
			floats.Scale(math.Sqrt(w/total), rows.RawRowView(i))
		}
		return rows, mean
	}
	fromX, meanX := center(x)
	fromY, meanY := center(y)
	normX, normY := mat.Norm(fromX, 2), mat.Norm(fromY, 2)
	spreadX, spreadY := normX*normX, normY*normY
	var cross mat.Dense // Σ w (y−ȳ)(x−x̄)ᵀ / Σw
	cross.Mul(fromY.T(), fromX)
	a := alignment{scale: 1, shift: make([]float64, m)}
	var values []float64
	a.rotation, values = nearestRotation(&cross)
	trace := floats.Sum(values)
	if fitScale {
		a.scale = trace / spreadX
	}
	for r := range m {
		a.shift[r] = meanY[r]
		for c := range m {
			a.shift[r] -= a.scale * a.rotation.At(r, c) * meanX[c]
		}
	}
	a.mse = max(0, spreadY-2*a.scale*trace+a.scale*a.scale*spreadX)
	if values[0] > 0 {
		a.gap = (values[m-2] + values[m-1]) / values[0]
	}
	return a
}

// nearestRotation returns the proper rotation R that maximises tr(RᵀA), and the
// singular values of A, the last with the sign that R could not take.
func nearestRotation(a *mat.Dense) (*mat.Dense, []float64) {
	var svd mat.SVD
	if !svd.Factorize(a, mat.SVDFull) {
		n, _ := a.Dims()
		return mat.DenseCopyOf(mat.NewDiagDense(n, slices.Repeat([]float64{1}, n))), make([]float64, n)
	}
	var u, v, r mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	values := svd.Values(nil)
	last := len(values) - 1
	if math.Signbit(mat.Det(&u)) != math.Signbit(mat.Det(&v)) {
		values[last] = -values[last]
		for i := range values {
			u.Set(i, last, -u.At(i, last))
		}
	}
	r.Mul(&u, v.T())
	return &r, values
}
