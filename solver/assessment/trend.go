package assessment

import (
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Trends say how much of the position errors' variance is linear in the position
// or rotates with the sensor. Shares are adjusted for the numbers fitted: about
// zero, and as often below it, where there is no trend.
type Trends struct {
	ByPlace struct {
		Share    float64       `json:"share"`
		Gradient [3][3]float64 `json:"gradient_m_per_m"` // ∂error/∂position
		// Largest is the gradient's largest singular value: what the worst
		// direction shows.
		Largest float64 `json:"largest_m_per_m"`
	} `json:"by_position"`
	ByAttitude struct {
		Share  float64    `json:"share"`
		Offset [3]float64 `json:"offset_m"` // in the sensor's frame
	} `json:"by_orientation"`
}

// fewest samples that a trend of twelve numbers is fitted to.
const leastTrend = 12

// trendsOf fits error = b + G·(place − mean position) and error = b + R·offset by
// plain least squares. nil: too few samples, or all in one position or orientation.
func trendsOf(samples []Sample, all []Errors) *Trends {
	n := len(samples)
	if n < leastTrend {
		return nil
	}
	place, attitude := newFit(12), newFit(6)
	var mean, bias r3.Vec
	for i, s := range samples {
		mean = r3.Add(mean, r3.Scale(1/float64(n), s.Truth.Position))
		bias = r3.Add(bias, r3.Scale(1/float64(n), all[i].Position))
	}
	before := 0.0 // squares about the mean
	for i, s := range samples {
		d := r3.Sub(s.Truth.Position, mean)
		turn := rigid.Matrix(s.Estimate.Rotation)
		c := all[i].components()
		for k := range 3 {
			row := place.next(c[k])
			row[k], row[3+3*k], row[4+3*k], row[5+3*k] = 1, d.X, d.Y, d.Z
			row = attitude.next(c[k])
			row[k], row[3], row[4], row[5] = 1, turn[k][0], turn[k][1], turn[k][2]
		}
		before += r3.Norm2(r3.Sub(all[i].Position, bias))
	}
	before /= float64(3*n - 3)
	g, left, ok := place.solve()
	if !ok || before == 0 {
		return nil
	}
	t := &Trends{}
	t.ByPlace.Share = 1 - left/before
	gradient := mat.NewDense(3, 3, g[3:])
	for k := range 3 {
		copy(t.ByPlace.Gradient[k][:], gradient.RawRowView(k))
	}
	var svd mat.SVD
	if svd.Factorize(gradient, mat.SVDNone) {
		t.ByPlace.Largest = svd.Values(nil)[0]
	}
	o, left, ok := attitude.solve()
	if !ok {
		return nil
	}
	t.ByAttitude.Share = 1 - left/before
	t.ByAttitude.Offset = [3]float64(o[3:])
	return t
}

// fit is a linear least squares problem taken row by row: of all rows before it keeps
// the triangle of their QR factorisation, the right side as its last column.
//
// Source: Golub and Van Loan, Matrix Computations (2013), section 6.5.3, by blocks of
// rows in place of single ones.
type fit struct {
	rows    *mat.Dense
	filled  int // rows of it
	seen    int
	columns int
}

func newFit(columns int) *fit {
	return &fit{rows: mat.NewDense(256, columns+1, nil), columns: columns}
}

// next returns the coefficients of the next equation, all zero, to be filled in.
func (f *fit) next(right float64) []float64 {
	if height, _ := f.rows.Dims(); f.filled == height {
		f.reduce()
	}
	row := f.rows.RawRowView(f.filled)
	clear(row)
	row[f.columns] = right
	f.filled++
	f.seen++
	return row[:f.columns]
}

// reduce replaces the rows by the triangle of their factorisation.
func (f *fit) reduce() {
	var qr mat.QR
	var r mat.Dense
	qr.Factorize(f.rows.Slice(0, f.filled, 0, f.columns+1))
	qr.RTo(&r)
	f.filled = f.columns + 1
	f.rows.Slice(0, f.filled, 0, f.filled).(*mat.Dense).Copy(&r)
}

// solve returns the solution and the variance of what is left. It reports false where
// the rows do not fix the solution: all in one position, one line, one orientation.
func (f *fit) solve() (x []float64, left float64, ok bool) {
	f.reduce()
	c := f.columns
	var qr mat.QR
	qr.Factorize(f.rows.Slice(0, c, 0, c))
	if !(qr.Cond() < 1e8) {
		return nil, 0, false
	}
	v := mat.NewVecDense(c, nil)
	if qr.SolveVecTo(v, false, f.rows.Slice(0, c, c, c+1).(*mat.Dense).ColView(0)) != nil {
		return nil, 0, false
	}
	last := f.rows.At(c, c)
	return v.RawVector().Data, last * last / float64(f.seen-c), true
}
