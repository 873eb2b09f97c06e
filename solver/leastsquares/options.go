package leastsquares

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Options tunes Solve. The zero value of a field means its default.
type Options struct {
	MaxIterations int     // accepted and rejected steps; default 200
	StepTol       float64 // step over size of the parameters, scaled; default 1e-12
	RankTol       float64 // singular values of the scaled Jacobian below RankTol of the largest count as zero; default 1e-12, 1e-8 with central differences
	// Radius bounds the first step, as a multiple of the parameters' scaled
	// size; default 0.1. Moré (1978) allows 0.1 to 100: the larger, the fewer
	// steps on mild problems, and the more starts that run off on others.
	Radius float64
	Loss   Loss // default plain squares
}

// costTol is the predicted relative fall of the cost that ends Solve.
const costTol = 1e-18

// check fills the defaults or names the field that is wrong.
func (o Options) check(numeric bool) (Options, error) {
	for _, f := range []struct {
		name  string
		value *float64
		def   float64
	}{
		{"StepTol", &o.StepTol, 1e-12},
		{"RankTol", &o.RankTol, 1e-12},
		{"Radius", &o.Radius, 0.1},
	} {
		if math.IsNaN(*f.value) || *f.value < 0 || math.IsInf(*f.value, 0) {
			return o, fmt.Errorf("leastsquares: Options.%s = %g: must be positive, or 0 for its default", f.name, *f.value)
		}
		if *f.value == 0 {
			*f.value = f.def
			if f.name == "RankTol" && numeric {
				*f.value = 1e-8
			}
		}
	}
	if o.MaxIterations < 0 {
		return o, fmt.Errorf("leastsquares: Options.MaxIterations = %d: must be positive, or 0 for its default", o.MaxIterations)
	}
	if o.MaxIterations == 0 {
		o.MaxIterations = 200
	}
	return o, nil
}

// Status says why Solve stopped.
type Status int

const (
	notStarted     Status = iota
	stepSmall             // the step is below StepTol
	costFlat              // no step can lower the cost by more than costTol
	gradientZero          // nothing is left to follow
	Stalled               // no step lowers the cost, though the model promises it: rounding, or a wrong Jacobian
	iterationLimit        // MaxIterations reached
)

func (s Status) String() string {
	switch s {
	case notStarted:
		return "not started"
	case stepSmall:
		return "step small"
	case costFlat:
		return "cost flat"
	case gradientZero:
		return "gradient zero"
	case Stalled:
		return "stalled"
	case iterationLimit:
		return "iteration limit"
	}
	return fmt.Sprintf("Status(%d)", int(s))
}

// converged reports whether the point is a minimum to the tolerances.
func (s Status) converged() bool { return s == stepSmall || s == costFlat || s == gradientZero }

// ErrNotConverged reports that Solve stopped early; its Result is filled.
var ErrNotConverged = errors.New("leastsquares: not converged")

// Err is nil for a converged status, and else wraps ErrNotConverged.
func (s Status) Err() error {
	if s.converged() {
		return nil
	}
	return fmt.Errorf("%w: %v", ErrNotConverged, s)
}

// Result is filled even on an early stop.
type Result struct {
	X         []float64 // the point, as the manifold stores it
	Residuals []float64 // at X, without the loss
	Weights   []float64 // ρ' of each squared residual at X; nil without a Loss
	Cost      float64   // ½ Σ ρ(r²)

	// Covariance is (JᵀWJ)⁻¹ along the tangent at X: right when the residuals
	// are in units of their standard deviation, else multiply by Variance. When
	// the rank is deficient it is the pseudo-inverse over the directions that
	// the data fix. Weights W of a Loss are taken as they stand, which is a
	// little too small on clean data.
	Covariance *mat.SymDense
	// Rank counts the directions that the data fix.
	Rank int

	Status      Status
	Iterations  int // accepted and rejected steps
	Evaluations int // calls of Function, differences included
}

// DOF is the number of degrees of freedom, residuals less rank.
func (r Result) DOF() int { return len(r.Residuals) - r.Rank }

// Variance is the variance of a residual as the fit shows it, Σρ/DOF, about 1
// when the stated standard deviations are right; NaN without freedom.
func (r Result) Variance() float64 {
	if r.DOF() <= 0 {
		return math.NaN()
	}
	return 2 * r.Cost / float64(r.DOF())
}
