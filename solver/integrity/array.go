package integrity

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// arrayErrors carries the covariance of the emitters' parameters, where the
// array states one, over to the couplings: Σ = diag(variances) + S·P·Sᵀ, with S
// the derivatives of a coupling by the parameters of its emitter. Taken at the
// coils' centres: a disc's radius changes S by its square over the distance's.
// The problem's own Errors stand in for S·P·Sᵀ.
type arrayErrors struct {
	stated     solver.Errors // nil: none
	parameters *mat.SymDense // P
	sens       *mat.Dense    // S, couplings × parameters
	of         mat.Dense     // S·P·Sᵀ at the last pose
	factor     mat.Cholesky
}

func newArrayErrors(p *solver.Problem, couplings int) *arrayErrors {
	a := &p.Array
	if p.Errors != nil {
		x := &arrayErrors{stated: p.Errors}
		x.of.ReuseAs(couplings, couplings)
		return x
	}
	if a.Covariance == nil {
		return nil
	}
	n := len(a.Emitters) * fieldmodels.ParametersPerEmitter
	return &arrayErrors{parameters: a.Covariance, sens: mat.NewDense(couplings, n, nil)}
}

// propagate computes S·P·Sᵀ at a pose.
func (x *Inspector) propagate(pose rigid.Pose) error {
	a := x.array
	if a == nil {
		return nil
	}
	if a.stated != nil {
		return a.stated.Covariance(a.of.RawMatrix().Data, pose)
	}
	p := x.solver.Problem()
	for c, coil := range p.Sensor.Coils {
		at, axis := pose.Apply(coil.Center), r3.Scale(coil.AreaTurns, r3.Unit(pose.Rotate(coil.Axis)))
		for e, emitter := range p.Array.Emitters {
			_, d, err := emitter.ParameterDerivatives(at)
			if err != nil {
				return err
			}
			for k, v := range d {
				a.sens.Set(e*x.coils+c, e*fieldmodels.ParametersPerEmitter+k, r3.Dot(axis, v))
			}
		}
	}
	var half mat.Dense
	half.Mul(a.sens, a.parameters)
	a.of.Reset()
	a.of.Mul(&half, a.sens.T())
	return nil
}

// marginal turns weights into those of the couplings' whole errors, each by
// itself.
func (x *Inspector) marginal(pose rigid.Pose) error {
	if x.array == nil {
		return nil
	}
	if err := x.propagate(pose); err != nil {
		return err
	}
	for i, w := range x.weight {
		if w > 0 {
			x.weight[i] = 1 / math.Sqrt(1/(w*w)+x.array.of.At(i, i))
		}
	}
	return nil
}

// factorise prepares whiten for a pose at which coupling i is multiplied by
// factor(i); false when Σ is not positive definite.
func (x *Inspector) factorise(pose rigid.Pose, factor func(i int) float64) bool {
	if x.array == nil {
		return true
	}
	if x.propagate(pose) != nil {
		return false
	}
	// In units of the noise, a missing coupling by itself.
	n := len(x.weight)
	sigma := mat.NewSymDense(n, nil)
	for i, w := range x.weight {
		for j := i; j < n; j++ {
			sigma.SetSym(i, j, x.array.of.At(i, j)*factor(i)*factor(j)*w*x.weight[j])
		}
		sigma.SetSym(i, i, sigma.At(i, i)+1)
	}
	return x.array.factor.Factorize(sigma)
}

// whiten turns a column of couplings [H] into one of unit covariance.
func (x *Inspector) whiten(v []float64) {
	for i, w := range x.weight {
		if w == 0 {
			v[i] = 0
		}
		v[i] *= w
	}
	if x.array == nil {
		return
	}
	u := x.array.factor.RawU() // Σ = UᵀU: solve Uᵀy = v
	n := len(v)
	for i := range n {
		for j := range i {
			v[i] -= u.At(j, i) * v[j]
		}
		v[i] /= u.At(i, i)
	}
}
