package solver

import (
	"cmp"
	"fmt"
	"math"
)

// Options tunes a Solver. The zero value of a field means its default.
type Options struct {
	// MaxIterations bounds the evaluations of the model in one descent,
	// rejected steps included; default 60. A warm start takes 3 to 5.
	MaxIterations int
	// StepTol ends a descent: the step still to go, in standard deviations of
	// the pose (√(δᵀC⁻¹δ)); default 3e-3. That last step is taken, so that the
	// distance left is smaller by another order.
	StepTol float64
	// Candidates bounds the distinct positions in the working volume from which
	// a cold start descends; default 8. A fit that the noise does not explain
	// or few couplings make it go on to eight times as many.
	Candidates int
}

// ambiguityRatio is the likelihood of the runner-up over that of the best pose from
// which on the two count as ambiguous.
const ambiguityRatio = 1e-3

// handicap is the same as a difference of chi-square.
var handicap = -2 * math.Log(ambiguityRatio)

func (o Options) withDefaults() (Options, error) {
	o.MaxIterations, o.StepTol, o.Candidates = cmp.Or(o.MaxIterations, 60), cmp.Or(o.StepTol, 3e-3), cmp.Or(o.Candidates, 8)
	switch {
	case o.MaxIterations < 0:
		return o, fmt.Errorf("solver: Options.MaxIterations = %d: must be positive", o.MaxIterations)
	case !(o.StepTol > 0):
		return o, fmt.Errorf("solver: Options.StepTol = %g: must be positive", o.StepTol)
	case o.Candidates < 0:
		return o, fmt.Errorf("solver: Options.Candidates = %d: must be positive", o.Candidates)
	}
	return o, nil
}
