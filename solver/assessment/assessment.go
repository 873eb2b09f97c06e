// Package assessment compares estimated poses with known ones: how large the
// errors are, and whether the stated uncertainty deserves its name.
//
// Summarise makes a Report of samples: bias and spread, quantiles, precision as
// ISO 5725 splits it, distances between stations, coverage of the stated
// ellipsoids, each with its bootstrap confidence. FitLag and Dropped judge poses of
// a moving sensor in time. Truth that lies in another frame, or follows another
// body, is brought over with the package registration; package budget says where
// uncertainty comes from.
//
// Poses are in the rig frame, positions in metres, rotations in radians. In results NaN stands for what the samples do not determine.
package assessment

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Sample is one estimated pose with the true one.
type Sample struct {
	Time            float64 // [s]
	Estimate, Truth rigid.Pose
	// Covariance of the error over x y z [m] and the rotation vector [rad] in the
	// rig frame: that of the estimate and, if it is known, of the truth; nil: not
	// stated. Rank 5 for a sensor of one axis.
	Covariance *[6][6]float64
	// Axis is the sensor-frame direction about which a rotation can't be seen, for
	// sensors with five degrees of freedom; nil for six.
	Axis *r3.Vec
	// PlaceOnly: nothing is known of the true orientation.
	PlaceOnly bool
	Sensor    int // samples of different sensors do not follow each other
	// Station and Visit number, from 1, the position that the sensor rested at and
	// the stay there; a station may be visited again. 0: it did not rest.
	Station, Visit int
}

// Errors are the components of one sample's error.
type Errors struct {
	Position    r3.Vec  // [m], rig frame
	Rotation    r3.Vec  // rotation vector [rad], rig frame: estimate = exp(δ)·truth; NaN for PlaceOnly
	PositionSq  float64 // eᵀC⁻¹e of the position; NaN without covariance
	NormalSq    float64 // of the whole pose over its degrees of freedom; NaN likewise
	Freedom     int     // of NormalSq: 6, 5 with an Axis, 3 with PlaceOnly
	PredictedM  float64 // √trace of the position's covariance
	PredictedRd float64 // √trace of the rotation's
}

// Of returns the errors of one sample.
func Of(s Sample) Errors {
	dp, dr := s.Estimate.Minus(s.Truth)
	e := Errors{Freedom: 6, PositionSq: math.NaN(), NormalSq: math.NaN(), PredictedM: math.NaN(), PredictedRd: math.NaN()}
	switch {
	case s.PlaceOnly:
		dr = r3.Vec{X: math.NaN(), Y: math.NaN(), Z: math.NaN()}
		e.Freedom = 3
	case s.Axis != nil:
		// only the direction of the axis is known: the smallest rotation
		// between the two directions is the error
		dr = rigid.Log(rigid.Between(s.Truth.Rotate(*s.Axis), s.Estimate.Rotate(*s.Axis)))
		e.Freedom = 5
	}
	e.Position, e.Rotation = dp, dr
	if s.Covariance == nil {
		return e
	}
	c := s.Covariance
	e.PredictedM = math.Sqrt(c[0][0] + c[1][1] + c[2][2])
	e.PredictedRd = math.Sqrt(c[3][3] + c[4][4] + c[5][5])
	v := [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z}
	e.PositionSq, e.NormalSq = mahalanobis(c, v)
	switch {
	case s.PlaceOnly:
		e.NormalSq = e.PositionSq
	case s.Axis != nil:
		e.NormalSq = pseudoSquare(c, v, e.Freedom)
	}
	e.NormalSq /= float64(e.Freedom)
	return e
}

// mahalanobis is vᵀC⁻¹v of the position and of the whole pose: with C = L·Lᵀ those of the
// first three and of all components of L⁻¹v. NaN where C is not positive definite.
func mahalanobis(c *[6][6]float64, v [6]float64) (position, pose float64) {
	var f rigid.Factor
	f.Decompose(c, 0)
	f.Forward(&v)
	for i, y := range v {
		if f.Inverse[i] == 0 {
			y = math.NaN()
		}
		pose += y * y
		if i == 2 {
			position = pose
		}
	}
	return position, pose
}

// pseudoSquare is vᵀC⁺v, C⁺ the pseudo-inverse of the given rank. Components are
// scaled to unit variance first: metres and radians do not compare.
func pseudoSquare(c *[6][6]float64, v [6]float64, rank int) float64 {
	const n = len(v)
	sym := mat.NewSymDense(n, nil)
	var scale [n]float64
	for i := range n {
		scale[i] = math.Sqrt(c[i][i])
		if !(scale[i] > 0) {
			if c[i][i] != 0 {
				return math.NaN()
			}
			scale[i] = 1 // a coil that looks along a coordinate axis has no variance about it
		}
	}
	for i := range n {
		for j := i; j < n; j++ {
			sym.SetSym(i, j, c[i][j]/scale[i]/scale[j])
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(sym, true) {
		return math.NaN()
	}
	values := eig.Values(nil)
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	var sum float64
	for k := n - rank; k < n; k++ { // ascending: the largest rank of them
		var dot float64
		for i := range n {
			dot += vectors.At(i, k) * v[i] / scale[i]
		}
		if !(values[k] > 0) {
			return math.NaN()
		}
		sum += dot * dot / values[k]
	}
	return sum
}

// components are the six numbers of an error.
func (e *Errors) components() [6]float64 {
	return [6]float64{e.Position.X, e.Position.Y, e.Position.Z, e.Rotation.X, e.Rotation.Y, e.Rotation.Z}
}
