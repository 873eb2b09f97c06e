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
	place, attitude, e := mat.NewDense(3*n, 12, nil), mat.NewDense(3*n, 6, nil), mat.NewVecDense(3*n, nil)
	var mean r3.Vec
	for _, s := range samples {
		mean = r3.Add(mean, r3.Scale(1/float64(n), s.Truth.Position))
	}
	for i, s := range samples {
		d := r3.Sub(s.Truth.Position, mean)
		turn := rigid.Matrix(s.Estimate.Rotation)
		c := all[i].components()
		for k := range 3 {
			row := 3*i + k
			e.SetVec(row, c[k])
			place.Set(row, k, 1)
			attitude.Set(row, k, 1)
			for a, v := range [3]float64{d.X, d.Y, d.Z} {
				place.Set(row, 3+3*k+a, v)
				attitude.Set(row, 3+a, turn[k][a])
			}
		}
	}
	t := &Trends{}
	g, share, ok := adjusted(place, e)
	if !ok {
		return nil
	}
	t.ByPlace.Share = share
	gradient := mat.NewDense(3, 3, nil)
	for k := range 3 {
		for a := range 3 {
			t.ByPlace.Gradient[k][a] = g.AtVec(3 + 3*k + a)
			gradient.Set(k, a, g.AtVec(3+3*k+a))
		}
	}
	var svd mat.SVD
	if svd.Factorize(gradient, mat.SVDNone) {
		t.ByPlace.Largest = svd.Values(nil)[0]
	}
	o, share, ok := adjusted(attitude, e)
	if !ok {
		return nil
	}
	t.ByAttitude.Share = share
	for a := range 3 {
		t.ByAttitude.Offset[a] = o.AtVec(3 + a)
	}
	return t
}

// adjusted fits e by the columns of a, the first three being the constants, and
// returns by which share the variance about the means alone is less.
func adjusted(a *mat.Dense, e *mat.VecDense) (x *mat.VecDense, share float64, ok bool) {
	rows, columns := a.Dims()
	var qr mat.QR
	qr.Factorize(a)
	if !(qr.Cond() < 1e8) { // one position, one line, one orientation
		return nil, 0, false
	}
	x = mat.NewVecDense(columns, nil)
	if qr.SolveVecTo(x, false, e) != nil {
		return nil, 0, false
	}
	var left mat.VecDense
	left.MulVec(a, x)
	left.SubVec(e, &left)
	var mean [3]float64
	for i := range rows {
		mean[i%3] += e.AtVec(i) * 3 / float64(rows)
	}
	var before float64
	for i := range rows {
		d := e.AtVec(i) - mean[i%3]
		before += d * d
	}
	if before == 0 {
		return nil, 0, false
	}
	after := mat.Dot(&left, &left)
	return x, 1 - after/float64(rows-columns)/(before/float64(rows-3)), true
}
