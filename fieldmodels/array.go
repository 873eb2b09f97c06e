package fieldmodels

import (
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Emitter is one driven coil of a bench. Source is in the rig frame; Center
// and Axis are what a calibration moves and turns: a shift of the whole source,
// a tilt about Center, a factor on its strength.
type Emitter struct {
	Name   string
	Source Source
	Center r3.Vec // [m], rig frame
	Axis   r3.Vec // unit, rig frame
}

// ParametersPerEmitter counts what Array.Covariance speaks of for each
// emitter: shift x, y, z [m] in the rig frame; tilt δx, δy, δz [rad], a
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

// ParameterDerivatives returns B per ampere [T/A] of the emitter at p [m, rig
// frame] and its derivative to each of the emitter's parameters, in the order
// of ParametersPerEmitter: [T/(A·m)] for the shifts, [T/(A·rad)] for the tilts,
// [T/A] for the relative strength. Errors are the source's own.
//
// A source that shifts carries its field along: −∂B/∂p. One that tilts by δ about
// Center turns the field, δ×B, and carries it along: −J·(δ×(p−Center)).
func (e Emitter) ParameterDerivatives(p r3.Vec) (b r3.Vec, d [ParametersPerEmitter]r3.Vec, err error) {
	b, j, err := e.Source.Gradient(p)
	if err != nil {
		return b, d, err
	}
	return b, EmitterDerivatives(b, j, r3.Sub(p, e.Center)), nil
}

// EmitterDerivatives is Emitter.ParameterDerivatives for a known field b [T/A],
// its derivative j [T/(A·m)] and arm = p − Center [m].
func EmitterDerivatives(b r3.Vec, j Jacobian, arm r3.Vec) (d [ParametersPerEmitter]r3.Vec) {
	// J·(e_k × arm), k = x, y, z: e_x × arm = (0, −arm.Z, arm.Y) and so on round.
	x := r3.Vec{X: j[0][0], Y: j[1][0], Z: j[2][0]}
	y := r3.Vec{X: j[0][1], Y: j[1][1], Z: j[2][1]}
	z := r3.Vec{X: j[0][2], Y: j[1][2], Z: j[2][2]}
	d[0], d[1], d[2] = r3.Scale(-1, x), r3.Scale(-1, y), r3.Scale(-1, z)
	d[3] = r3.Add(r3.Vec{Y: -b.Z, Z: b.Y}, r3.Sub(r3.Scale(arm.Z, y), r3.Scale(arm.Y, z)))
	d[4] = r3.Add(r3.Vec{X: b.Z, Z: -b.X}, r3.Sub(r3.Scale(arm.X, z), r3.Scale(arm.Z, x)))
	d[5] = r3.Add(r3.Vec{X: -b.Y, Y: b.X}, r3.Sub(r3.Scale(arm.Y, x), r3.Scale(arm.X, y)))
	d[6] = b
	return d
}
