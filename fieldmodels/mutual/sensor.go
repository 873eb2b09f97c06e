package mutual

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Coil is one pickup of a sensor, in the sensor's frame.
type Coil struct {
	Center    r3.Vec  // [m]
	Axis      r3.Vec  // unit
	AreaTurns float64 // turns × area [m²]
	Radius    float64 // [m]; the field is averaged over the disc; 0: a point
}

// Sensor is a rigid body with one or more pickup coils.
type Sensor struct {
	Name  string
	Coils []Coil
	// Covariance of the coils' parameters, coil by coil in the order of
	// ParametersPerCoil; nil when the coils are taken as exact.
	Covariance *mat.SymDense
}

// ParametersPerCoil counts the parameters of each coil in Sensor.Covariance: position
// x, y, z [m] and tilt δx, δy, δz [rad] about its centre, both in the sensor
// frame; relative sensitivity [dimensionless].
const ParametersPerCoil = 7

// Validate refuses a sensor without coils, and coils or a covariance that no
// coupling can be computed with.
func (s Sensor) Validate() error {
	if len(s.Coils) == 0 {
		return fmt.Errorf("mutual: sensor %q has no coils", s.Name)
	}
	for i, c := range s.Coils {
		switch {
		case !finite(c.Center):
			return fmt.Errorf("mutual: coil %d of sensor %q: Center = %v: must be finite", i, s.Name, c.Center)
		case !(math.Abs(r3.Norm(c.Axis)-1) < 1e-6):
			return fmt.Errorf("mutual: coil %d of sensor %q: Axis = %v: must be a unit vector", i, s.Name, c.Axis)
		case !(c.AreaTurns > 0) || math.IsInf(c.AreaTurns, 0):
			return fmt.Errorf("mutual: coil %d of sensor %q: AreaTurns = %g: must be positive", i, s.Name, c.AreaTurns)
		case !(c.Radius >= 0) || math.IsInf(c.Radius, 0):
			return fmt.Errorf("mutual: coil %d of sensor %q: Radius = %g: must not be negative", i, s.Name, c.Radius)
		}
	}
	if s.Covariance != nil {
		n, _ := s.Covariance.Dims()
		if want := ParametersPerCoil * len(s.Coils); n != want {
			return fmt.Errorf("mutual: covariance of sensor %q is %d×%d: %d coils need %d×%d", s.Name, n, n, len(s.Coils), want, want)
		}
	}
	return nil
}

func finite(v r3.Vec) bool {
	s := v.X + v.Y + v.Z
	return !math.IsNaN(s) && !math.IsInf(s, 0)
}

// Coils count as coaxial when their axes differ by no more than coaxial [rad] and
// their centres lie off the common line by no more than coaxial times the
// sensor's size, the largest distance between the first coil and another; below
// leastSize [m] that size counts as leastSize.
//
// Such a misfit ε changes a coupling by about ε of itself when the sensor rotates
// by a radian about the line. To find that rotation, couplings and coils would have to
// be known to a ten-thousandth; no winding's axis is, nor its position to 0.1 µm.
// Places written to the micrometre and axes of six digits stay well inside.
const (
	coaxial   = 1e-4
	leastSize = 1e-3
)

// BlindAxis returns the unit vector in the sensor frame about which a rotation of
// the sensor changes no coupling: the axis of its coils, when all of them lie on
// one line along it. ok is false when they don't: every rotation then changes some coupling. Axes
// need not be of unit length, and may point either way; the vector is that of
// the first coil.
func (s Sensor) BlindAxis() (axis r3.Vec, ok bool) {
	if len(s.Coils) == 0 {
		return r3.Vec{}, false
	}
	axis = r3.Unit(s.Coils[0].Axis)
	size, off := leastSize, 0.0
	for _, c := range s.Coils {
		arm := r3.Sub(c.Center, s.Coils[0].Center)
		size = math.Max(size, r3.Norm(arm))
		off = math.Max(off, r3.Norm(r3.Cross(arm, axis)))
		if !(r3.Norm(r3.Cross(r3.Unit(c.Axis), axis)) <= coaxial) {
			return r3.Vec{}, false
		}
	}
	if !(off <= coaxial*size) {
		return r3.Vec{}, false
	}
	return axis, true
}

// DegreesOfFreedom returns how many parameters of a pose couplings determine: 6,
// or 5 for a sensor with a BlindAxis.
func (s Sensor) DegreesOfFreedom() int {
	if _, blind := s.BlindAxis(); blind {
		return 5
	}
	return 6
}
