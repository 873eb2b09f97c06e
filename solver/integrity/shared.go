package integrity

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// shared is the covariance of the couplings' errors where they do not err each by
// itself.
type shared struct {
	of     []float64 // n×n, at the last pose
	factor mat.Cholesky
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
	sigma := mat.NewSymDense(n, nil)
	for i, w := range x.weight {
		for j := i; j < n && w > 0; j++ {
			v := s.of[i*n+j]
			if i == j {
				v -= c.Variance[i]
			}
			sigma.SetSym(i, j, v*factor(i)*factor(j)*w*x.weight[j])
		}
		sigma.SetSym(i, i, sigma.At(i, i)+1)
	}
	return s, s.factor.Factorize(sigma)
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
	u := s.factor.RawU() // Σ = UᵀU: solve Uᵀy = v
	n := len(v)
	for i := range n {
		for j := range i {
			v[i] -= u.At(j, i) * v[j]
		}
		v[i] /= u.At(i, i)
	}
}
