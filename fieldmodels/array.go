package fieldmodels

import (
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Emitter is one driven coil of a bench. Source is in the rig frame; Center
// and Axis are what a calibration moves: a shift of the whole source,
// a tilt about Center, a factor on its strength.
type Emitter struct {
	Name   string
	Source Source
	Center r3.Vec // [m], rig frame
	Axis   r3.Vec // unit, rig frame
}

// ParametersPerEmitter counts the parameters of each emitter in
// Array.Covariance: shift x, y, z [m] in the rig frame; tilt δx, δy, δz [rad], a
// rotation vector in the rig frame about Center; relative strength
// [dimensionless].
const ParametersPerEmitter = 7

// Array is the set of emitters of a bench.
type Array struct {
	Emitters []Emitter
	// Covariance of the emitters' parameters, emitter by emitter in the order
	// of ParametersPerEmitter; nil when the array is taken as exact.
	Covariance *mat.SymDense
}
