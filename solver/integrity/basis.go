package integrity

import "math"

// basis is an orthonormal basis of the span of columns that are added one by
// one (modified Gram–Schmidt, each column twice, so that it stays orthogonal to
// rounding: Björck, Numerical Methods for Least Squares Problems, 1996,
// section 2.4; recalled, not seen).
type basis struct {
	columns [][]float64 // orthonormal
	r       [][]float64 // r[j]: the j-th added column in terms of the columns
	of      []int       // the column that the j-th added one brought; −1: none
	count   int         // of columns
	added   int

	value, sigma, right, inverse []float64 // of fit
}

// dependent is the share of a column that must be new for it to count.
const dependent = 1e-7

func (b *basis) init(n, columns int) {
	for range columns {
		b.columns = append(b.columns, make([]float64, n))
		b.r = append(b.r, make([]float64, columns))
		b.of = append(b.of, -1)
	}
	b.value, b.sigma = make([]float64, columns), make([]float64, columns)
	b.right, b.inverse = make([]float64, columns), make([]float64, columns)
}

func (b *basis) reset() { b.count, b.added = 0, 0 }

// add takes a column in; one that depends on the others brings nothing.
func (b *basis) add(v []float64) bool {
	q, r := b.columns[b.count], b.r[b.added]
	clear(r)
	copy(q, v)
	size := norm(q)
	for range 2 {
		for j := range b.count {
			d := dot(b.columns[j], q)
			r[j] += d
			axpy(-d, b.columns[j], q)
		}
	}
	left := norm(q)
	b.of[b.added] = -1
	b.added++
	if !(left > dependent*size) {
		return false
	}
	for i := range q {
		q[i] /= left
	}
	r[b.count] = left
	b.of[b.added-1] = b.count
	b.count++
	return true
}

// clean takes the span's part out of v.
func (b *basis) clean(v []float64) {
	for j := range b.count {
		axpy(-dot(b.columns[j], v), b.columns[j], v)
	}
}

// fit returns the coefficients of the added columns that come nearest to v and
// their standard deviations where v has unit noise; columns that brought
// nothing get 0 and +Inf. Both are the basis's own, until its next fit.
func (b *basis) fit(v []float64) (value, sigma []float64) {
	value, sigma = b.value[:b.added], b.sigma[:b.added]
	for k := range b.count {
		b.right[k] = dot(b.columns[k], v)
	}
	b.solve(value)
	// The covariance is R⁻¹R⁻ᵀ: its diagonal sums the squares of R⁻¹'s rows.
	clear(sigma)
	for k := range b.count {
		clear(b.right[:b.count])
		b.right[k] = 1
		b.solve(b.inverse[:b.added])
		for j, s := range b.inverse[:b.added] {
			sigma[j] += s * s
		}
	}
	for j := range sigma {
		sigma[j] = math.Sqrt(sigma[j])
		if b.of[j] < 0 {
			sigma[j] = math.Inf(1)
		}
	}
	return value, sigma
}

// solve finds the coefficients whose combination of the added columns has the
// parts b.right along the basis.
func (b *basis) solve(out []float64) {
	for j := b.added - 1; j >= 0; j-- {
		k := b.of[j]
		if out[j] = 0; k < 0 {
			continue
		}
		s := b.right[k]
		for l := j + 1; l < b.added; l++ {
			s -= b.r[l][k] * out[l]
		}
		out[j] = s / b.r[j][k]
	}
}

// leverage is the share of observation i that the columns can follow.
func (b *basis) leverage(i int) float64 {
	h := 0.0
	for j := range b.count {
		h += b.columns[j][i] * b.columns[j][i]
	}
	return h
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}

func axpy(f float64, a, b []float64) {
	for i := range a {
		b[i] += f * a[i]
	}
}

func norm(a []float64) float64 { return math.Sqrt(dot(a, a)) }
