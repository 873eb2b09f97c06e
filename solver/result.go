package solver

import (
	"errors"

	"tonepose/fieldmodels/rigid"
)

// Status says why a solve stopped.
type Status uint8

const (
	// Converged: a minimum was reached.
	Converged Status = iota
	// NotConverged: Options.MaxIterations were used up, or no step lowered
	// chi-square any more far from a minimum.
	NotConverged
	// Unobservable: the couplings do not fix the pose: too few of them, a
	// singular normal matrix, or a standard deviation beyond the working volume
	// or beyond one radian. Covariance is zero when the matrix is singular.
	Unobservable
	// Invalid: a coupling that is not missing is not finite, or its variance is
	// not positive.
	Invalid
)

// Errors that Result.Err returns for a Status.
var (
	ErrNotConverged = errors.New("solver: not converged")
	ErrUnobservable = errors.New("solver: pose not observable from these couplings")
	ErrInvalid      = errors.New("solver: a coupling or its variance is not a number the solver can use")
)

// String returns the words of a status.
func (s Status) String() string {
	return [...]string{"converged", "not converged", "unobservable", "invalid"}[s]
}

// RunnerUp is the second-best minimum of chi-square that a cold start found
// inside the working volume.
type RunnerUp struct {
	Pose rigid.Pose
	// Ratio is its likelihood over that of the best pose, exp(−Δχ²/2); zero
	// when no second minimum was found or looked for.
	Ratio float64
}

// Result is one solved pose. It is filled as far as possible on an early stop
// too.
type Result struct {
	// Pose of the sensor. With coils on one axis only (five degrees of
	// freedom) Rotation is the smallest rotation that carries that axis from
	// the sensor frame to the rig frame, and Position is the origin of the
	// sensor frame under that rotation.
	Pose rigid.Pose
	// Covariance over x, y, z [m] and the rotation vector δx, δy, δz [rad] of
	// the rig frame with q_true = exp(δ/2)·q. With five degrees of freedom its
	// rank is 5: zero about the coils' axis.
	Covariance [6][6]float64
	// ChiSquare is the sum of squared residuals over their variances, DOF the
	// couplings used less 6 (or 5).
	ChiSquare float64
	DOF       int
	// Iterations counts evaluations of the model in the descent that won.
	Iterations int
	Status     Status
	// Ambiguous: RunnerUp is at least a thousandth as likely.
	Ambiguous bool
	RunnerUp  RunnerUp
	// Outside: Position lies outside the working volume.
	Outside bool
}

// HasPose reports whether Pose may be taken for one. Where the couplings do not fix
// it, Pose is only where the descent ended: that may be anywhere.
func (r *Result) HasPose() bool {
	return (r.Status == Converged || r.Status == NotConverged) && r.Pose.Finite()
}

// Err returns nil for a converged result, else the sentinel of its status.
func (r *Result) Err() error {
	return [...]error{nil, ErrNotConverged, ErrUnobservable, ErrInvalid}[r.Status]
}
