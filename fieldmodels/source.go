// Package fieldmodels computes the quasi-static magnetic field of driven coils in
// air. It is one of the packages that a researcher builds on, together with mutual
// (couplings with pickups), multitone and its coupling, and solver.
//
// A Source gives B per ampere, a vector [T/A], and its exact spatial derivative, a
// Jacobian [T/(A·m)], at a point [m]. A primitive (Dipole, Loop, Winding, Sheet,
// Rectangle, Polyline) lives in its own frame, centre at the origin and axis +Z;
// Place and PlaceAxis bring it into the rig frame, Sum connects several in series,
// and Array gathers the emitters of a bench, each with what a calibration may move.
// All are exact to rounding, do not allocate, and are safe for concurrent use; on
// the conductor itself they return ErrOnConductor.
//
// Each type names the source of its formula. The tests hold all of them against
// published tables (testdata/published), against numeric derivatives, and against
// div B = 0 and curl B = 0.
package fieldmodels

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Mu0 is the magnetic constant [H/m], CODATA 2022. It differs from 4π·10⁻⁷ by
// less than 1e-9 relative.
const Mu0 = 1.25663706127e-6

// ErrOnConductor reports a field point on the current itself, where the field
// of a thin wire has no finite value.
var ErrOnConductor = errors.New("fieldmodels: field point lies on the conductor")

// ErrShape reports a model that can be no coil: a radius that is not positive, a polyline
// of fewer than two points.
var ErrShape = errors.New("fieldmodels: this can be no coil")

// Jacobian is the spatial derivative of a vector field: J[i][j] = ∂B_i/∂x_j.
// Off the conductor it is symmetric (curl B = 0) and traceless (div B = 0).
type Jacobian [3][3]float64

// Norm returns ‖J‖, the root of the sum of all squares (Frobenius). |B|/‖J‖ is the
// length over which a field changes by about its own size.
func (j *Jacobian) Norm() float64 {
	sum := 0.0
	for _, row := range j {
		sum += row[0]*row[0] + row[1]*row[1] + row[2]*row[2]
	}
	return math.Sqrt(sum)
}

// Source is a magnetic field proportional to one current.
type Source interface {
	// Field returns B per ampere [T/A] at p [m].
	Field(p r3.Vec) (r3.Vec, error)
	// Gradient returns B per ampere [T/A] and its spatial derivative
	// [T/(A·m)] at p [m].
	Gradient(p r3.Vec) (r3.Vec, Jacobian, error)
}
