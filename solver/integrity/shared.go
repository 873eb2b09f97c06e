package integrity

import (
	"math"

	"gonum.org/v1/gonum/floats"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// shared is the covariance of the couplings' errors where they do not err each by
// itself.
type shared struct {
	of     []float64 // n×n, at the last pose
	factor []float64 // lower triangle of the Cholesky factor of what whitens, n×n
	first  []int     // by row, the first of its entries that may differ from zero
}

// propagate computes the covariance at a pose; nil when every coupling errs by
// itself.
func (x *Inspector) propagate(c solver.Couplings, pose rigid.Pose) (*shared, error) {
	if x.solver.Independent(&c) {
		return nil, nil
	}
	if n := len(x.weight); x.shared.of == nil {
		x.shared.of = make([]float64, n*n)
	}
	return &x.shared, x.solver.ErrorCovariance(x.shared.of, c, pose)
}

// marginal turns weights into those of the couplings' whole errors, each by
// itself.
func (x *Inspector) marginal(c solver.Couplings, pose rigid.Pose) error {
	s, err := x.propagate(c, pose)
	if s == nil || err != nil {
		return err
	}
	for i, w := range x.weight {
		if w > 0 {
			x.weight[i] = 1 / math.Sqrt(s.of[i*len(x.weight)+i])
		}
	}
	return nil
}

// factorise returns what whitens columns of a frame at a pose at which the model's
// coupling i is multiplied by factor(i); false when their covariance is not
// positive definite.
func (x *Inspector) factorise(c solver.Couplings, pose rigid.Pose, factor func(i int) float64) (*shared, bool) {
	s, err := x.propagate(c, pose)
	if s == nil || err != nil {
		return nil, err == nil
	}
	// In units of the noise, a missing coupling by itself.
	n := len(x.weight)
	if s.first == nil {
		s.factor, s.first = make([]float64, n*n), make([]int, n)
	}
	for i, w := range x.weight {
		row := s.factor[i*n : i*n+i+1]
		clear(row)
		s.first[i] = i
		for j := i - 1; j >= 0 && w > 0; j-- {
			if v := s.of[i*n+j]; v != 0 {
				row[j], s.first[i] = v*factor(i)*factor(j)*w*x.weight[j], j
			}
		}
		row[i] = 1
		if w > 0 {
			row[i] += (s.of[i*n+i] - c.Variance[i]) * factor(i) * factor(i) * w * w
		}
	}
	return s, s.decompose(n)
}

// decompose turns the lower triangle in factor into its Cholesky factor, row by row. What
// lies before a row's first entry stays zero: where only the couplings of an emitter err
// together, it takes no longer than those of each emitter by themselves.
func (s *shared) decompose(n int) bool {
	for i := range n {
		row, from := s.factor[i*n:i*n+i+1], s.first[i]
		for j := from; j < i; j++ {
			other, k := s.factor[j*n:j*n+j+1], max(from, s.first[j])
			row[j] = (row[j] - floats.Dot(row[k:j], other[k:j])) / other[j]
		}
		left := row[i] - floats.Dot(row[from:i], row[from:i])
		if !(left > 0) {
			return false
		}
		row[i] = math.Sqrt(left)
	}
	return true
}

// whiten turns a column of couplings [H] into one of unit covariance.
func (x *Inspector) whiten(s *shared, v []float64) {
	for i, w := range x.weight {
		if w == 0 {
			v[i] = 0
		}
		v[i] *= w
	}
	if s == nil {
		return
	}
	n := len(v)
	for i := range n { // Σ = LLᵀ: solve Ly = v
		row, from := s.factor[i*n:i*n+i+1], s.first[i]
		v[i] = (v[i] - floats.Dot(row[from:i], v[from:i])) / row[i]
	}
}
