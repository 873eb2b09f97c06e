// Package trajectory estimates the motion of a sensor from the couplings of
// successive windows: an error-state Kalman filter on the manifold of poses, a
// Rauch–Tung–Striebel smoother, and the likelihood from which the strength of
// the process noise is learnt.
//
// The filter works on couplings, not on poses: a window in which some couplings
// are missing, or which alone would leave the pose ambiguous, still adds
// what it knows. A window's phasor is a weighted mean over the window; so is
// what the filter predicts, from velocity and turn rate.
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

	"gonum.org/v1/gonum/mat"
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
	// Correlation is 1 + 2Σρ over the correlations of the noise of windows that
	// overlap; default 1. Variances are multiplied by it, which makes the
	// smoothed covariance right.
	Correlation float64
	// Gate is the probability below which a window's innovation, or its misfit to
	// the spline, counts as foreign to the motion; default 1e-6. The filter then
	// passes the window over; the spline is fitted again without such windows.
	Gate float64
	// Smooth runs the smoother after the filter.
	Smooth bool
	// Knots is the time between the knots of a spline [s]; 0: chosen by
	// cross-validation.
	Knots float64
}

// Frame is the couplings of one window.
type Frame struct {
	Time      float64 // centre of the window [s]
	Couplings solver.Couplings

	seen    *known // solved by itself: taken in place of the couplings
	widened bool   // the variances have those of the model's errors
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
}

// Track is the motion of one sensor.
type Track struct {
	States        []State
	PositionNoise float64 // as given or learnt
	RotationNoise float64
	Knots         float64 // time between the knots of a spline [s], given or chosen
}

// ErrNoStart reports that no window gave a pose to start from.
var ErrNoStart = errors.New("trajectory: no window gives a pose to start from")

func (o Options) withDefaults() (Options, error) {
	o.Correlation, o.Gate = cmp.Or(o.Correlation, 1), cmp.Or(o.Gate, 1e-6)
	switch {
	case o.PositionNoise < 0 || o.RotationNoise < 0:
		return o, fmt.Errorf("trajectory: Options.PositionNoise = %g, RotationNoise = %g: must not be negative", o.PositionNoise, o.RotationNoise)
	case o.WindowSpread < 0 || o.Knots < 0:
		return o, fmt.Errorf("trajectory: Options.WindowSpread = %g s, Knots = %g s: must not be negative", o.WindowSpread, o.Knots)
	case o.Correlation < 1:
		return o, fmt.Errorf("trajectory: Options.Correlation = %g: must be at least 1", o.Correlation)
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
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	for i := 1; i < len(frames); i++ {
		if !(frames[i].Time > frames[i-1].Time) {
			return nil, fmt.Errorf("trajectory: frame %d at %g s does not follow %g s", i, frames[i].Time, frames[i-1].Time)
		}
	}
	frames = slices.Clone(frames)
	f := newFilter(ctx, s, o, o.Motion.size())
	if o.PositionNoise == 0 || o.RotationNoise == 0 {
		if err := f.learn(frames); err != nil {
			return nil, err
		}
	}
	steps, _, err := f.run(frames)
	if err != nil {
		return nil, err
	}
	t := &Track{PositionNoise: f.options.PositionNoise, RotationNoise: f.options.RotationNoise}
	if o.Smooth {
		f.smooth(steps)
	}
	for i := range steps {
		t.States = append(t.States, steps[i].state(f, frames[i].Time))
	}
	return t, f.addShared(t.States, frames)
}

func (p *step) state(f *filter, time float64) State {
	s := State{Time: time, Pose: p.x.pose, Velocity: p.x.v, TurnRate: p.x.w, ChiSquare: p.chi2, DOF: p.dof, Passed: p.passed}
	for i := range 6 {
		for j := range 6 {
			s.Covariance[i][j] = p.cov.At(i, j)
		}
	}
	if f.axis != nil {
		f.smallestRotation(&s)
	}
	return s
}

// smallestRotation gives a five-degree pose the smallest rotation that carries the
// coils' axis, as the solver does, and takes the unknown rotation about it out of its
// covariance. The point of the axis that the coils see stays where it is.
func (f *filter) smallestRotation(s *State) {
	a := s.Pose.Rotate(*f.axis)
	seen := s.Pose.Apply(f.center)
	q := rigid.Between(*f.axis, a)
	s.Pose = rigid.Pose{Position: r3.Sub(seen, rigid.Rotate(q, f.center)), Rotation: q}
	s.Covariance = rigid.WithoutRotation(&s.Covariance, a)
}

// step is the filter at one frame, kept for the smoother.
type step struct {
	x          motion        // estimate
	cov        *mat.SymDense // of its error
	predicted  motion        // from the frame before
	predictedC *mat.SymDense
	transition *mat.Dense // from the frame before
	chi2       float64
	dof        int
	passed     bool
	restarted  bool
}
