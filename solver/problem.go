// Package solver turns couplings between the emitters of a bench and the
// pickup coils of a sensor into the sensor's pose, with its covariance.
package solver

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
)

// Coil is one pickup of a sensor, in the sensor's frame.
type Coil struct {
	Center    r3.Vec  // [m]
	Axis      r3.Vec  // unit
	AreaTurns float64 // turns × area [m²]
	Radius    float64 // [m]; the field is averaged over the disc; 0: a point
}

// Sensor is a rigid body with one or more pickup coils. One coil fixes five
// degrees of freedom: the turn about the coil's axis stays unknown.
type Sensor struct {
	Name  string
	Coils []Coil
}

// Volume is the box in which a sensor can be [m, rig frame].
type Volume struct{ Min, Max r3.Vec }

// Problem says what is fixed while poses are sought.
type Problem struct {
	Array  fieldmodels.Array
	Sensor Sensor
	Volume Volume
}

// Couplings is one observation of a sensor: Re M of every emitter and coil
// [H] with its variance [H²], at index e·len(Coils)+c. An observation with
// variance +Inf is missing.
type Couplings struct {
	Value    []float64
	Variance []float64
}

// Only returns the couplings with those marked missing whose entry in keep is
// false; Value is shared, Variance is new.
func (c Couplings) Only(keep []bool) Couplings {
	v := append([]float64(nil), c.Variance...)
	for i, k := range keep {
		if !k {
			v[i] = math.Inf(1)
		}
	}
	return Couplings{Value: c.Value, Variance: v}
}
