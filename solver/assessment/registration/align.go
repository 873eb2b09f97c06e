package registration

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// alignment is y ≈ scale·rotation·x + shift in any number of dimensions.
type alignment struct {
	rotation *mat.Dense
	shift    []float64
	scale    float64
	mse      float64 // weighted mean of the squared distances
	// gap is by how much the second smallest singular value, the smallest one's
	// sign taken in, stands above zero, over the largest: 0 when a turn is open.
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
	total := 0.0
	meanX, meanY := make([]float64, m), make([]float64, m)
	w := func(i int) float64 {
		if weight == nil {
			return 1
		}
		return weight[i]
	}
	for i := range n {
		total += w(i)
		for k := range m {
			meanX[k] += w(i) * x.At(i, k)
			meanY[k] += w(i) * y.At(i, k)
		}
	}
	for k := range m {
		meanX[k] /= total
		meanY[k] /= total
	}
	cross := mat.NewDense(m, m, nil) // Σ w (y−ȳ)(x−x̄)ᵀ / Σw
	var spreadX, spreadY float64
	for i := range n {
		for r := range m {
			dy := y.At(i, r) - meanY[r]
			dx := x.At(i, r) - meanX[r]
			spreadX += w(i) * dx * dx / total
			spreadY += w(i) * dy * dy / total
			for c := range m {
				cross.Set(r, c, cross.At(r, c)+w(i)*dy*(x.At(i, c)-meanX[c])/total)
			}
		}
	}
	a := alignment{scale: 1, shift: make([]float64, m)}
	var values []float64
	a.rotation, values = nearestRotation(cross)
	var trace float64
	for _, v := range values {
		trace += v
	}
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
		return identity(n), make([]float64, n)
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

func identity(n int) *mat.Dense {
	m := mat.NewDense(n, n, nil)
	for i := range n {
		m.Set(i, i, 1)
	}
	return m
}
