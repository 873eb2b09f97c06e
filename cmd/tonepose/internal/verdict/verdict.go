package verdict

import (
	"math"

	"tonepose/fieldmodels/rigid"
)

// Verdict is what one fit is worth. NaN in a number is "no value".
type Verdict struct {
	Chi2           float64 // of the in-phase parts' fit
	DOF            int
	QuadratureChi2 float64 // of the quadrature parts, less what motion and delays explain
	QuadratureDOF  int
	Spread         float64 // of the position over fits without one emitter each [m]
	PositionError  float64 // radius that holds the true position about 95 times in 100, distortion included [m]
	RotationError  float64 // alike [rad]
	Growth         float64 // by what the variances of noise were multiplied for the misfit, beside the spread's; 1: they stand
	// RunnerUp is the second-best pose that a cold start found, nil if it found
	// none, and RunnerUpRatio its likelihood over that of the best.
	RunnerUp      *rigid.Pose
	RunnerUpRatio float64
	// Nonlinearity of the model within the pose's uncertainty, in standard
	// deviations; NaN where that uncertainty is far too small to matter. Where
	// the stated covariance fails by it, Low and High hold the 95 % intervals of
	// the coils' centroid by profile likelihood [m], else NaN.
	Nonlinearity float64
	Low, High    [3]float64
	Finding      string // what is wrong, in words; empty: nothing known
}

// unjudged is a verdict without any number.
func unjudged() Verdict {
	nan := math.NaN()
	none := [3]float64{nan, nan, nan}
	return Verdict{Chi2: nan, QuadratureChi2: nan, Spread: nan, PositionError: nan, RotationError: nan,
		Growth: nan, RunnerUpRatio: nan, Nonlinearity: nan, Low: none, High: none}
}

// SampleFaults are the flags that a single channel or tone can be blamed for.
const SampleFaults = Clipped | Gap | Repeated | Stuck | ReferenceLost

// LeftOut are the faults of samples that weigh nothing.
const LeftOut = Gap | Stuck
