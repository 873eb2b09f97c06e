// Package solver turns couplings between the emitters of a bench and the
// pickup coils of a sensor into the sensor's pose, with its covariance.
//
// New prepares a Solver for one sensor in one array; its Cold finds the pose
// anywhere in the working volume, its Warm follows from a pose close by. A Result carries the pose, its covariance,
// chi-square with degrees of freedom and a status; Nonlinearity and Interval
// serve where a covariance is not enough.
//
// The model of a coupling is M = AreaTurns·(R·axis)·B(p + R·center), B averaged
// over the disc of a coil with a radius: package mutual.
//
//	s, err := solver.New(solver.Problem{Array: array, Sensor: sensor, Volume: volume}, solver.Options{})
//	r := s.Cold(couplings)	// r.Pose, r.Covariance, r.Err()
//	r = s.Warm(next, r.Pose)
//
// Couplings are in henry, places in metres, rotations in radians. A pose carries the sensor's
// vectors to the rig frame, and its covariance is over x, y, z and a rotation applied from the
// left, in that frame.
//
// # What couplings cannot tell
//
// The field of a dipole, and from afar of every coil, is even: B(−r) = B(r).
// So some arrays leave twins of every pose:
//
//   - emitters at one position: p and −p about it, with the same orientation;
//   - emitters in one plane with their moments across it: the mirrored position,
//     with the orientation rotated by 180° about the plane's normal;
//   - emitters in one plane with their moments within it, and coils on one axis:
//     the mirrored position with the mirrored axis (three coils would have to be
//     reflected, which no rotation does).
//
// Centres of coils off the sensor's origin spoil the symmetry by their size over
// the distance, seldom enough. A working volume that holds one of the twins
// decides; else tilt the emitters out of the symmetry. Cold flags a
// pose with a twin inside the working volume as ambiguous and names it in
// Result.RunnerUp.
//
// The sign of a coupling is a fact: a coil connected the other way round gives
// another pose, mostly with a large chi-square.
package solver

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
)

// Volume is the box in which a sensor can be [m, rig frame].
type Volume struct{ Min, Max r3.Vec }

// Problem says what is fixed while poses are sought.
type Problem struct {
	Array  fieldmodels.Array
	Sensor mutual.Sensor
	Volume Volume
	// Errors, if not nil, gives the errors of the model's couplings where the
	// covariances of Array and Sensor do not say all, and stands in for them; the
	// search of a cold start, before its minima are fitted, goes by those alone.
	Errors Errors
}

// Couplings is one observation of a sensor: Re M of every emitter and coil
// [H] with its variance [H²], at index e·len(Coils)+c. An observation with
// variance +Inf is missing.
type Couplings struct {
	Value    []float64
	Variance []float64
	// Common is, of each emitter, the variance of the relative error that all its
	// couplings share, as the noise of the reference of its current gives it. The
	// covariance of two of them is Common times their product; each variance has
	// its own share already. Nil: none.
	Common []float64
}

// Own is the variance [H²] of coupling i but for what its emitter's couplings share.
func (c *Couplings) Own(i int) float64 {
	if len(c.Common) == 0 || math.IsInf(c.Variance[i], 1) {
		return c.Variance[i]
	}
	shared := c.Common[i/(len(c.Value)/len(c.Common))] * c.Value[i] * c.Value[i]
	// A noise-free pickup leaves the rounding of the difference.
	return max(c.Variance[i]-shared, 1e-9*c.Variance[i])
}

// Clone returns couplings with memory of their own.
func (c Couplings) Clone() Couplings {
	return Couplings{Value: slices.Clone(c.Value), Variance: slices.Clone(c.Variance), Common: slices.Clone(c.Common)}
}
