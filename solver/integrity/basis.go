package integrity

import (
	"math"

	"gonum.org/v1/gonum/floats"
)

// basis is an orthonormal basis of the span of columns that are added one by
// one (modified Gram–Schmidt, a column of which less than half is new twice, so that it
// stays orthogonal to rounding: Björck, Numerical Methods for Least Squares Problems,
// 1996, section 2.4; not checked against the original).
type basis struct {
	columns [][]float64 // orthonormal
	terms   [][]float64 // terms[k]: columns[k] as a combination of the added columns
	count   int         // of columns
	added   int

	value, sigma []float64 // of fit
}

// dependent is the share of a column that must be new for it to count.
const dependent = 1e-7

// again is the share of a column that must be new for one pass to be enough: what rounding
// leaves of the others in it, relative to what is new, grows by no more than its inverse.
const again = 0.5

func (b *basis) init(n, columns int) {
	for range columns {
		b.columns = append(b.columns, make([]float64, n))
		b.terms = append(b.terms, make([]float64, columns))
	}
	b.value, b.sigma = make([]float64, columns), make([]float64, columns)
}

func (b *basis) reset() { b.count, b.added = 0, 0 }

// add takes a column in; one that depends on the others brings nothing.
func (b *basis) add(v []float64) bool {
	q, terms := b.columns[b.count], b.terms[b.count]
	copy(q, v)
	clear(terms)
	terms[b.added] = 1
	b.added++
	whole := norm(v)
	left := whole
	for range 2 {
		for j := range b.count {
			d := floats.Dot(b.columns[j], q)
			floats.AddScaled(q, -d, b.columns[j])
			floats.AddScaled(terms, -d, b.terms[j])
		}
		if left = norm(q); left > again*whole {
			break
		}
	}
	if !(left > dependent*whole) {
		return false
	}
	floats.Scale(1/left, q)
	floats.Scale(1/left, terms)
	b.count++
	return true
}

// clean takes the span's part out of v.
func (b *basis) clean(v []float64) {
	for _, q := range b.columns[:b.count] {
		floats.AddScaled(v, -floats.Dot(q, v), q)
	}
}

// fit returns the coefficients of the added columns that come nearest to v and
// their standard deviations where v has unit noise; columns that brought
// nothing get 0 and +Inf. Both are the basis's own, until its next fit.
func (b *basis) fit(v []float64) (value, sigma []float64) {
	value, sigma = b.value[:b.added], b.sigma[:b.added]
	clear(value)
	clear(sigma)
	for k, q := range b.columns[:b.count] {
		along := floats.Dot(q, v)
		for j, t := range b.terms[k][:b.added] {
			value[j] += along * t
			sigma[j] += t * t
		}
	}
	for j, square := range sigma {
		sigma[j] = math.Sqrt(square)
		if square == 0 {
			sigma[j] = math.Inf(1)
		}
	}
	return value, sigma
}

// leverage is the share of observation i that the columns can follow.
func (b *basis) leverage(i int) float64 {
	h := 0.0
	for _, q := range b.columns[:b.count] {
		h += q[i] * q[i]
	}
	return h
}

func norm(v []float64) float64 { return math.Sqrt(floats.Dot(v, v)) }
