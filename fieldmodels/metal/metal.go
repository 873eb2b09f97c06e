// Package metal computes what pieces of metal near a bench add to its couplings: the
// fields of the currents that an emitter's tone induces in them, and of their
// magnetisation, as seen by a pickup. It makes simulated recordings; no solving rests on
// it.
//
// A Ball is a sphere, taken as its induced dipole; a Plate is endless, as thick as told
// or filling half of space. Each is made for an array's sources and their frequencies,
// and adds complex couplings: in x(t) = Re{X·e^{jωt}} the real part is in phase with
// what the coils couple in air, the imaginary part lags by what eddy currents do. Pieces
// do not see each other.
//
// NewBall or NewPlate makes a Body of a Material; its Add puts on what it adds to a pickup's
// couplings [H] and, where things move, to their rates [H/s]. Places are in metres, emitters
// and bodies in the rig frame.
package metal

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
)

// Body is a piece of metal.
type Body interface {
	// Add adds to m [H] what the body adds to the coupling of every source with a
	// pickup of a sensor in the frame f, and to dm [H/s] its rate when the sensor moves
	// with velocity [m/s] and turns with spin [rad/s], rig frame. ErrInside tells that
	// the pickup is where the metal is. It does not allocate.
	Add(m, dm []complex128, pickup *mutual.Pickup, f *mutual.Frame, velocity, spin r3.Vec) error
}

// ErrInside reports a coil inside of the metal.
var ErrInside = errors.New("metal: the coil is inside of the metal")

// Material of a piece of metal.
type Material struct {
	Conductivity float64 // [S/m]
	Permeability float64 // relative, that of weak fields; hysteresis and its loss are left out
}

// Materials by name, nominal at 20 °C. Conductivities are those of common tables of
// pure metals and alloys, not checked against an original; steel's permeability is that of an order.
var Materials = map[string]Material{
	"aluminium": {3.5e7, 1},
	"brass":     {1.5e7, 1},
	"copper":    {5.8e7, 1},
	"stainless": {1.4e6, 1},
	"steel":     {6e6, 100},
}

// SkinDepth is √(2/(ω·μ·σ)) [m] at hz.
func (m Material) SkinDepth(hz float64) float64 {
	return 1 / math.Sqrt(math.Pi*hz*m.Permeability*fieldmodels.Mu0*m.Conductivity)
}

func (m Material) check() error {
	switch {
	case !(m.Conductivity > 0) || math.IsInf(m.Conductivity, 0):
		return fmt.Errorf("metal: Conductivity = %g: must be positive and finite", m.Conductivity)
	case !(m.Permeability >= 1) || math.IsInf(m.Permeability, 0):
		return fmt.Errorf("metal: Permeability = %g: must be 1 or more", m.Permeability)
	}
	return nil
}

// checkTones wants a frequency for every emitter.
func checkTones(emitters []fieldmodels.Emitter, hz []float64) error {
	if len(hz) != len(emitters) {
		return fmt.Errorf("metal: %d frequencies for %d emitters", len(hz), len(emitters))
	}
	for i, f := range hz {
		if !(f > 0) || math.IsInf(f, 0) {
			return fmt.Errorf("metal: frequency %g Hz of emitter %s: must be positive", f, emitters[i].Name)
		}
	}
	return nil
}
