package correction

import (
	"errors"
	"math"

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
// 2006, section 5.4.2; recalled, not seen).
func (b *Bench) leaveOut(q *equations, mean []float64, cov *mat.SymDense, reads [][]float64) *heldOut {
	out := &heldOut{}
	step := (len(b.Stations) + judged - 1) / judged
	for s := 0; s < len(b.Stations); s += step {
		z, y := free(q, &b.Stations[s], reads[s])
		if z == nil {
			continue
		}
		n, _ := z.Dims()
		var zc, k mat.Dense
		zc.Mul(z, cov)
		k.Mul(&zc, z.T())
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
		left.MulVec(z, mat.NewVecDense(q.n, mean))
		left.AddVec(&left, y)
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

// free returns the rows of a station, and its residuals, in the directions that
// no error of its pose moves.
func free(q *equations, st *Station, reads []float64) (*mat.Dense, *mat.VecDense) {
	n := len(st.Rows)
	if n <= poses || q.n == 0 {
		return nil, nil
	}
	by, y, x := mat.NewDense(n, poses, nil), mat.NewVecDense(n, nil), mat.NewDense(n, q.n, nil)
	for i := range st.Rows {
		rw, row := &st.Rows[i], x.RawRowView(i)
		y.SetVec(i, rw.Residual)
		by.SetRow(i, rw.ByPose[:])
		if rw.Pickup >= 0 {
			for k, v := range reads[rw.Pickup*q.terms : (rw.Pickup+1)*q.terms] {
				row[q.first[rw.Emitter]+k] = rw.ByCoupling * v
			}
		}
		for k, c := range rw.Columns {
			row[q.column[c]] += rw.By[k]
		}
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
		return nil, nil
	}
	var u, z mat.Dense
	svd.UTo(&u)
	rest := u.Slice(0, n, svd.Rank(1e-10), n)
	var r mat.VecDense
	z.Mul(rest.T(), x)
	r.MulVec(rest.T(), y)
	return &z, &r
}

// usual reports a number that is neither NaN nor infinite.
func usual(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
