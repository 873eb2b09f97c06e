package correction

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// judged is how many stations are left out, one at a time, evenly among all.
const judged = 200

// validate predicts stations from all others, with the map and with the bench
// alone, and widens the map's covariance by what the errors exceed it by.
func (b *Bench) validate(m *Map, q *equations, mean []float64, reads [][]float64) error {
	with := b.leaveOut(q, mean, m.Covariance, reads)
	bare := newEquations(0, all(b.Emitters), all(b.Parameters))
	bare.gather(b.Stations, reads, b.Known)
	alone, err := bare.solve(nil, nil)
	if err != nil {
		return err
	}
	cov, err := alone.covariance()
	if err != nil {
		return err
	}
	without := b.leaveOut(bare, alone.mean, cov, reads)
	if with.count() == 0 {
		return errors.New("correction: no station has more residuals than its pose has numbers")
	}
	m.Before, m.After, m.Standardised = without.raw(), with.raw(), with.standardised()
	m.Growth = with.growth()
	m.Covariance.ScaleSym(m.Growth, m.Covariance)
	if !(m.After < m.Before) {
		return ErrNothing
	}
	return nil
}

// heldOut is what stations that were predicted from all others show, direction by
// direction: squared errors, and the variance that the prediction adds to that
// of the noise, which is one.
type heldOut struct{ squares, variances []float64 }

func (h *heldOut) count() int { return len(h.squares) }

func (h *heldOut) raw() (sum float64) {
	for _, e := range h.squares {
		sum += e / float64(len(h.squares))
	}
	return sum
}

func (h *heldOut) standardised() (sum float64) {
	for i, e := range h.squares {
		sum += e / (1 + h.variances[i]) / float64(len(h.squares))
	}
	return sum
}

// growth is the factor on the variances of the prediction, not below one, that
// makes the errors most likely: where their score vanishes.
func (h *heldOut) growth() float64 {
	score := func(k float64) (sum float64) {
		for i, v := range h.variances {
			w := 1 + k*v
			sum += v / w * (h.squares[i]/w - 1)
		}
		return sum
	}
	low, high := 1.0, 1.0
	for score(high) > 0 && high < 1e6 {
		low, high = high, 2*high
	}
	for high-low > 1e-3*low {
		if mid := (low + high) / 2; score(mid) > 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// leaveOut predicts stations from all others, in closed form: of a station's
// residuals y and rows Z, freed of its pose, I − Z·Σ·Zᵀ is the inverse of the
// block of y's covariance given all others, and y + Z·mean that block times
// their errors (Rasmussen and Williams, Gaussian Processes for Machine Learning,
// 2006, section 5.4.2; not checked against the original).
func (b *Bench) leaveOut(q *equations, mean []float64, cov *mat.SymDense, reads [][]float64) *heldOut {
	out := &heldOut{}
	full := rowsOf(cov)
	step := (len(b.Stations) + judged - 1) / judged
	for s := 0; s < len(b.Stations); s += step {
		st := &b.Stations[s]
		rest := q.freed(st)
		if rest == nil {
			continue
		}
		_, n := rest.Dims()
		x := q.sparse(st, reads[s])
		var half, k mat.Dense
		half.Mul(rest.T(), covarianceOf(x, full, q.n))
		k.Mul(&half, rest)
		inverse := mat.NewSymDense(n, nil)
		for i := range n {
			for j := i; j < n; j++ {
				inverse.SetSym(i, j, -k.At(i, j))
			}
			inverse.SetSym(i, i, 1-k.At(i, i))
		}
		var eigen mat.EigenSym
		if !eigen.Factorize(inverse, true) {
			continue
		}
		var vectors mat.Dense
		eigen.VectorsTo(&vectors)
		var left, part mat.VecDense
		predicted := mat.NewVecDense(len(x), nil)
		for i := range x {
			predicted.SetVec(i, st.Rows[i].Residual+x[i].dot(mean))
		}
		left.MulVec(rest.T(), predicted)
		part.MulVec(vectors.T(), &left)
		for i, d := range eigen.Values(nil) {
			if d < 1e-9 { // fixed by this station alone
				continue
			}
			e := part.AtVec(i) / d
			out.squares = append(out.squares, e*e)
			out.variances = append(out.variances, max(0, 1/d-1))
		}
	}
	return out
}

// freed are the directions among a station's rows that no error of its pose moves,
// as columns; nil: none.
func (q *equations) freed(st *Station) mat.Matrix {
	n := len(st.Rows)
	if n <= poses {
		return nil
	}
	by := mat.NewDense(n, poses, nil)
	for i := range st.Rows {
		by.SetRow(i, st.Rows[i].ByPose[:])
	}
	// Positions and rotations have units of their own.
	for k := range poses {
		if length := mat.Norm(by.ColView(k), 2); length > 0 {
			for i := range n {
				by.Set(i, k, by.At(i, k)/length)
			}
		}
	}
	var svd mat.SVD
	if !svd.Factorize(by, mat.SVDFullU) {
		return nil
	}
	var u mat.Dense
	svd.UTo(&u)
	return u.Slice(0, n, svd.Rank(1e-10), n)
}

// sparse is the derivatives of a residual by the unknowns: those of its emitter's
// coefficients, one after another, and a few parameters.
type sparse struct {
	first   int
	terms   []float64
	columns []int
	by      []float64
}

func (q *equations) sparse(st *Station, reads []float64) []sparse {
	out := make([]sparse, len(st.Rows))
	for i := range st.Rows {
		rw, x := &st.Rows[i], &out[i]
		if rw.Pickup >= 0 {
			x.first = q.first[rw.Emitter]
			x.terms = floats.ScaleTo(make([]float64, q.terms), rw.ByCoupling, reads[rw.Pickup*q.terms:(rw.Pickup+1)*q.terms])
		}
		for k, c := range rw.Columns {
			x.columns, x.by = append(x.columns, q.column[c]), append(x.by, rw.By[k])
		}
	}
	return out
}

func (x *sparse) dot(y []float64) float64 {
	sum := floats.Dot(x.terms, y[x.first:][:len(x.terms)])
	for k, c := range x.columns {
		sum += x.by[k] * y[c]
	}
	return sum
}

// covarianceOf is x·C·xᵀ, with C of n unknowns row by row.
func covarianceOf(x []sparse, c []float64, n int) *mat.Dense {
	out, y := mat.NewDense(len(x), len(x), nil), make([]float64, n)
	for i := range x {
		clear(y)
		for k, v := range x[i].terms {
			floats.AddScaled(y, v, c[(x[i].first+k)*n:][:n])
		}
		for k, at := range x[i].columns {
			floats.AddScaled(y, x[i].by[k], c[at*n:][:n])
		}
		for j := range x {
			out.Set(i, j, x[j].dot(y))
		}
	}
	return out
}

// usual reports a number that is neither NaN nor infinite.
func usual(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
