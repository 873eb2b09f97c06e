// Package trajectory estimates the motion of a sensor from the couplings of
// successive windows: an error-state Kalman filter on the manifold of poses, a
// Rauch–Tung–Striebel smoother, a spline with the same prior, and the likelihood from
// which the strength of the process noise is learnt. Run filters or smooths, Spline
// lays curves; their cost grows with the number of windows alone. A Joiner does either for
// a recording of any length in the same memory.
//
// All work on couplings, not on poses: a window in which some couplings
// are missing, or which alone would leave the pose ambiguous, still adds
// what it knows. A window's phasor is a weighted mean over the window; so is
// what is predicted of it, from velocity and turn rate. Times are in seconds, poses in metres and radians, both rates in the
// rig frame.
//
// Covariances hold for the motion that was there. Windows that overlap share noise:
// see lagged. A smoother's covariance has what the motion's model lets through; how much
// of that there is, the windows tell: see share. What a spline's knots can't follow
// is in its covariances: see leftover.
//
// Sources: Rauch, Tung and Striebel, AIAA Journal 3(8), 1965; Bar-Shalom, Li
// and Kirubarajan, Estimation with Applications to Tracking and Navigation,
// 2001, sections 5.4 and 6.2 (white-noise acceleration and jerk models).
package trajectory

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Motion says what is taken as constant between windows but for white noise.
type Motion int

const (
	ConstantAcceleration Motion = iota // white jerk
	ConstantVelocity                   // white acceleration
)

// Options tunes Run and Spline. The zero value of a field means its default.
type Options struct {
	Motion Motion
	// PositionNoise is the one-sided strength of the white process noise of the
	// position: [m²/s⁵] of jerk, or [m²/s³] of acceleration. 0: learnt
	// from the data by maximum likelihood.
	PositionNoise float64
	// RotationNoise alike, [rad²/s⁵] or [rad²/s³].
	RotationNoise float64
	// WindowSpread is the standard deviation of time under a window's weights
	// [s]: T·√(1/12 − 1/2π²) for Hann. 0: the window is taken as an instant.
	WindowSpread float64
	// WindowKurtosis is the fourth moment of time under a window's weights over the
	// square of the second; default 2.406, that of Hann.
	WindowKurtosis float64
	// Correlation of the noise of windows 1, 2, 3 … apart, where they overlap; nil:
	// they are independent.
	Correlation []float64
	// Gate is the probability below which a window's innovation, or its misfit to
	// the spline, counts as foreign to the motion; default 1e-6. The window is then
	// passed over.
	Gate float64
	// Smooth runs the smoother after the filter.
	Smooth bool
	// Spline lays smooth curves of poses through the windows: see Spline.
	Spline bool
	// Knots is the time between the knots of a spline [s]; 0: as wide as costs a
	// hundredth of the variance. Closer ones than windows tell apart are thinned.
	Knots float64
}

// hannKurtosis is (1/80 − 1/4π² + 3/2π⁴)/(1/12 − 1/2π²)².
const hannKurtosis = 2.4062

// Frame is the couplings of one window.
type Frame struct {
	Time      float64 // centre of the window [s]
	Couplings solver.Couplings
	// Pose that the couplings give by themselves, near which they are compared with
	// the motion; nil: it is sought.
	Pose *rigid.Pose

	widened bool        // the variances have those of the model's errors
	own     *rigid.Pose // memory of Pose, see Copy
}

// Copy makes a frame a copy of another, in the memory that it has where that is enough.
func (fr *Frame) Copy(from *Frame) {
	c := &fr.Couplings
	c.Value = append(c.Value[:0], from.Couplings.Value...)
	c.Variance = append(c.Variance[:0], from.Couplings.Variance...)
	c.Common = append(c.Common[:0], from.Couplings.Common...)
	fr.Time, fr.widened = from.Time, from.widened
	if from.Pose == nil {
		fr.Pose = nil
		return
	}
	if fr.own == nil {
		fr.own = new(rigid.Pose)
	}
	*fr.own = *from.Pose
	fr.Pose = fr.own
}

// State is the estimate at one window's centre.
type State struct {
	Time     float64
	Pose     rigid.Pose
	Velocity r3.Vec // [m/s], rig frame
	TurnRate r3.Vec // [rad/s], rig frame
	// Covariance of the pose over x y z [m] and the rotation vector [rad]: of noise
	// and motion, and of the model's errors, which all windows share.
	Covariance [6][6]float64
	// ChiSquare of the innovation and its degrees of freedom.
	ChiSquare float64
	DOF       int
	Passed    bool // the window was gated out or had no usable coupling
	Unknown   bool // before the first window that gives a pose: nothing else is filled but Time
}

// Track is the motion of one sensor.
type Track struct {
	States        []State
	PositionNoise float64 // as given or learnt
	RotationNoise float64
	Knots         float64 // time between the knots of a spline [s], given or chosen; never closer than windows tell apart
}

// ErrNoStart reports that no window gave a pose to start from.
var ErrNoStart = errors.New("trajectory: no window gives a pose to start from")

func (o Options) withDefaults() (Options, error) {
	o.Gate, o.WindowKurtosis = cmp.Or(o.Gate, 1e-6), cmp.Or(o.WindowKurtosis, hannKurtosis)
	switch {
	case o.PositionNoise < 0 || o.RotationNoise < 0:
		return o, fmt.Errorf("trajectory: Options.PositionNoise = %g, RotationNoise = %g: must not be negative", o.PositionNoise, o.RotationNoise)
	case o.WindowSpread < 0 || o.Knots < 0:
		return o, fmt.Errorf("trajectory: Options.WindowSpread = %g s, Knots = %g s: must not be negative", o.WindowSpread, o.Knots)
	case slices.ContainsFunc(o.Correlation, func(rho float64) bool { return !(rho >= 0 && rho < 1) }):
		return o, fmt.Errorf("trajectory: Options.Correlation = %g: each must be at least 0 and below 1", o.Correlation)
	case !(o.WindowKurtosis >= 1):
		return o, fmt.Errorf("trajectory: Options.WindowKurtosis = %g: must be at least 1", o.WindowKurtosis)
	case o.Gate < 0 || o.Gate >= 1:
		return o, fmt.Errorf("trajectory: Options.Gate = %g: must lie between 0 and 1", o.Gate)
	}
	return o, nil
}

// Run estimates the motion through the frames, whose times must rise. The
// filter's estimate at a window's centre rests on the samples up to the
// window's end: its latency is half a window.
//
// Run ends with the context's error soon after that is done.
func Run(ctx context.Context, s *solver.Solver, frames []Frame, o Options) (*Track, error) {
	j, err := NewJoiner(ctx, s, Frames(frames), o)
	if err != nil {
		return nil, err
	}
	track := j.Track()
	for {
		states, err := j.Next()
		if err != nil {
			return nil, err
		}
		if len(states) == 0 {
			return track, nil
		}
		track.States = append(track.States, states...)
	}
}

// place adds to an error where it happened.
func (t *tracker) place(i int, err error) error {
	if t.ctx.Err() != nil {
		return err
	}
	return fmt.Errorf("trajectory: frame %d at %g s: %w", t.first+i, t.frames[i].Time, err)
}
