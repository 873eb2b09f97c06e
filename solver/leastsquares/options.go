package leastsquares

import (
	"cmp"
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Options tunes Solve. The zero value of a field means its default.
type Options struct {
	MaxIterations int     // accepted and rejected steps; default 200, and 1000 for a second descent, see Solve
	RankTol       float64 // singular values of the scaled Jacobian below RankTol of the largest count as zero; default 1e-12, 1e-8 with central differences
}

const (
	// costTol is the predicted relative fall of the cost that ends Solve, stepTol
	// the step over the size of the parameters, scaled.
	costTol, stepTol = 1e-18, 1e-12
	// firstRadius bounds the first step, as a multiple of the parameters' scaled
	// size. Moré (1978) allows 0.1 to 100: the larger, the fewer steps on mild
	// problems, and the more starts that run off on others.
	firstRadius = 0.1
	// A point is a minimum where the linear model, in the scale that its own Jacobian has,
	// promises a step shorter than leastStep of the parameters' size, or a fall below
	// leastFall of the cost. A descent that has converged is within both by far, but for
	// residuals or parameters that are zero but for rounding: the one or the other then says
	// nothing.
	leastStep, leastFall = 1e-7, 1e-10
	// zeroCost is a cost at which nothing is left to fit, residuals being in units of their
	// standard deviation.
	zeroCost = 1e-20
	// stepRank of RankTol is what a singular value needs for steps to go along its direction:
	// on the way, two columns may be alike for a while that differ at the minimum.
	stepRank = 1e-2
	// What a descent may take with bends and without.
	bentIterations, plainIterations = 200, 1000
)

// check fills the defaults or names the field that is wrong.
func (o Options) check(numeric bool) (Options, error) {
	switch {
	case o.MaxIterations < 0:
		return o, fmt.Errorf("leastsquares: Options.MaxIterations = %d: must be positive, or 0 for its default", o.MaxIterations)
	case !(o.RankTol >= 0 && o.RankTol < 1):
		return o, fmt.Errorf("leastsquares: Options.RankTol = %g: must lie between 0 and 1, or be 0 for its default", o.RankTol)
	}
	if numeric {
		o.RankTol = cmp.Or(o.RankTol, 1e-8)
	}
	o.RankTol = cmp.Or(o.RankTol, 1e-12)
	return o, nil
}

// Status says why Solve stopped.
type Status int

const (
	notStarted     Status = iota
	stepSmall             // the step is below stepTol
	costFlat              // no step can lower the cost by more than costTol
	gradientZero          // nothing is left to follow
	Stalled               // no step lowers the cost, though the model promises it: rounding, or a wrong Jacobian
	iterationLimit        // MaxIterations reached
	slopeLeft             // the steps have come to nothing where the cost still falls: no minimum
)

var statusNames = [...]string{"not started", "step small", "cost flat", "gradient zero", "stalled", "iteration limit", "slope left"}

func (s Status) String() string { return statusNames[s] }

// ErrNotConverged reports that Solve stopped early; its Result is filled.
var ErrNotConverged = errors.New("leastsquares: not converged")

// Err is nil for a converged status, and else wraps ErrNotConverged.
func (s Status) Err() error {
	if s == stepSmall || s == costFlat || s == gradientZero {
		return nil
	}
	return fmt.Errorf("%w: %v", ErrNotConverged, s)
}

// Result is filled even on an early stop.
type Result struct {
	X         []float64 // the point, as the manifold stores it
	Residuals []float64 // at X
	Cost      float64   // ½ Σ r²

	// Covariance is (JᵀJ)⁻¹ along the tangent at X: right when the residuals
	// are in units of their standard deviation, else multiply by Variance. When
	// the rank is deficient it is the pseudo-inverse over the directions that
	// the data fix.
	Covariance *mat.SymDense
	// Rank counts the directions that the data fix.
	Rank int

	Status     Status
	Iterations int // accepted and rejected steps
}

// DOF is the number of degrees of freedom, residuals less rank.
func (r Result) DOF() int { return len(r.Residuals) - r.Rank }

// Variance is the variance of a residual as the fit shows it, Σr²/DOF, about 1
// when the stated standard deviations are right; NaN without freedom.
func (r Result) Variance() float64 {
	if r.DOF() <= 0 {
		return math.NaN()
	}
	return 2 * r.Cost / float64(r.DOF())
}
