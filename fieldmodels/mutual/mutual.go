// Package mutual is the one model of the coupling between the driven coils of a
// bench and the pickups of a sensor: the mutual inductance M [H] of every emitter
// with every coil, and its derivatives by the pose of the sensor, by what a
// calibration moves of an emitter (fieldmodels.ParametersPerEmitter) and of a coil
// (ParametersPerCoil). Solving, predicting, calibrating and simulating all use it,
// and a researcher builds on it.
//
// Describe what picks up as a Sensor of Coils, what drives as a
// fieldmodels.Array, and make a Model of both: its Evaluate gives couplings and
// their derivatives by the pose, its Derivatives those by every parameter. Whoever
// moves single coils makes a Pickup, places it with a Frame, and calls Placed.Couple
// for its Coupling with one source.
//
// The emitters are in the rig frame, the coils in the sensor's; a pose carries
// sensor vectors to the rig frame. A derivative by a rotation is one by the vector
// δ [rad] in the rig frame, applied from the left: q' = exp(δ/2)·q. With n the
// turns × area of a coil times its axis and a the arm from the sensor's origin p to
// its centre, both in the rig frame,
//
//	M = n·B(p+a)    ∂M/∂p = g = Jᵀ·n    ∂M/∂δ = n×B + a×g
//
// where B is the field per ampere and J its derivative (Jackson, Classical
// Electrodynamics, 3rd ed., section 5.17, for M as the flux per ampere). Moving an
// emitter is moving the sensor the other way, so that all other derivatives follow
// from these seven numbers. For a coil with a radius B is the mean over its disc.
package mutual

import (
	"errors"
	"fmt"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// Coupling is the mutual inductance of one source and one pickup with its
// derivatives by the sensor's pose.
type Coupling struct {
	M        float64 // [H]; positive when the field has a part along the pickup's axis
	Position r3.Vec  // ∂M/∂p by the position of the sensor's origin, rig frame [H/m]
	Rotation r3.Vec  // ∂M/∂δ by a rotation of the sensor about its origin, rig frame [H/rad]
}

// Add adds the coupling of a further source that the same current drives.
func (c *Coupling) Add(o *Coupling) {
	c.M += o.M
	c.Position, c.Rotation = r3.Add(c.Position, o.Position), r3.Add(c.Rotation, o.Rotation)
}

// Scale multiplies the source's strength by k.
func (c *Coupling) Scale(k float64) {
	c.M *= k
	c.Position, c.Rotation = r3.Scale(k, c.Position), r3.Scale(k, c.Rotation)
}

// ByPose is ∂M by the position [H/m], then a rotation [H/rad] of the sensor.
func (c *Coupling) ByPose() [6]float64 {
	return [6]float64{c.Position.X, c.Position.Y, c.Position.Z, c.Rotation.X, c.Rotation.Y, c.Rotation.Z}
}

// ByEmitter is ∂M by the source's parameters in the order of
// fieldmodels.ParametersPerEmitter: shift [H/m], tilt about the emitter's centre
// [H/rad], relative strength [H]. from is the sensor's origin less that centre [m].
//
// A shift of the source is one of the sensor the other way; a tilt rotates the
// sensor the other way about the emitter's centre.
func (c *Coupling) ByEmitter(from r3.Vec) [fieldmodels.ParametersPerEmitter]float64 {
	g, t := c.Position, r3.Add(c.Rotation, r3.Cross(from, c.Position))
	return [...]float64{-g.X, -g.Y, -g.Z, -t.X, -t.Y, -t.Z, c.M}
}

// ByCoil is ∂M by the pickup's parameters in the order of ParametersPerCoil: position
// [H/m] and tilt about its own centre [H/rad], both in the sensor frame f; relative
// sensitivity [H]. arm leads from the sensor's origin to the coil's centre, rig
// frame [m].
func (c *Coupling) ByCoil(f *Frame, arm r3.Vec) [ParametersPerCoil]float64 {
	// A rotation of a coil about its own centre is one of the sensor about its
	// origin and a shift back.
	g, t := f.back(c.Position), f.back(r3.Sub(c.Rotation, r3.Cross(arm, c.Position)))
	return [...]float64{g.X, g.Y, g.Z, t.X, t.Y, t.Z, c.M}
}

// Rate is dM/dt [H/s] of a sensor whose origin moves with velocity [m/s] and which
// turns with the angular velocity spin [rad/s], both in the rig frame.
func (c *Coupling) Rate(velocity, spin r3.Vec) float64 {
	return r3.Dot(c.Position, velocity) + r3.Dot(c.Rotation, spin)
}

// Derivatives is one coupling with its derivatives by everything that moves it.
type Derivatives struct {
	M       float64
	Pose    [6]float64                                // Coupling.ByPose
	Emitter [fieldmodels.ParametersPerEmitter]float64 // Coupling.ByEmitter
	Coil    [ParametersPerCoil]float64                // Coupling.ByCoil
}

// Model couples one sensor with an array. It is immutable and safe for
// concurrent use.
type Model struct {
	array   fieldmodels.Array
	sources *Sources
	pickups []Pickup
}

// New makes the model of a sensor in an array. The array's fields must not change
// afterwards.
func New(a fieldmodels.Array, s Sensor) (*Model, error) {
	for i, e := range a.Emitters {
		if e.Source == nil {
			return nil, fmt.Errorf("mutual: emitter %d (%q) has no Source", i, e.Name)
		}
	}
	if err := s.Validate(); err != nil {
		return nil, err
	}
	m := &Model{array: a}
	var sources []fieldmodels.Source
	for _, e := range a.Emitters {
		sources = append(sources, e.Source)
	}
	m.sources = NewSources(sources)
	for _, c := range s.Coils {
		m.pickups = append(m.pickups, NewPickup(c))
	}
	return m, nil
}

// Evaluate writes the couplings [H] at a pose into value and their derivatives by
// the pose, Coupling.ByPose, into slope; emitter e and coil c are at index
// e·coils + c. Either may be nil. On a conductor the source's own error is
// returned. It does not allocate.
func (m *Model) Evaluate(pose rigid.Pose, value []float64, slope [][6]float64) error {
	return m.evaluate(pose, value, slope, false)
}

// EvaluateFast is Evaluate with the errors of Placed.CoupleFast, for several times
// the speed where coils have a radius.
func (m *Model) EvaluateFast(pose rigid.Pose, value []float64, slope [][6]float64) error {
	return m.evaluate(pose, value, slope, true)
}

func (m *Model) evaluate(pose rigid.Pose, value []float64, slope [][6]float64, fast bool) error {
	f := NewFrame(pose)
	var p Sampled
	var c Couplings
	for k := range m.pickups {
		p.Place(&m.pickups[k], &f)
		for b := range m.sources.sets {
			if err := p.CoupleBlock(&c, m.sources, b, fast); err != nil {
				return m.failed(err, k)
			}
			i := b*Block*len(m.pickups) + k
			for l := range m.sources.block(b) {
				if value != nil {
					value[i] = c.Value[l]
				}
				if slope != nil {
					slope[i] = [6]float64{c.Position[0][l], c.Position[1][l], c.Position[2][l], c.Rotation[0][l], c.Rotation[1][l], c.Rotation[2][l]}
				}
				i += len(m.pickups)
			}
		}
	}
	return nil
}

// Derivatives writes every coupling at a pose with all its derivatives into dst, at
// index e·coils + c; errors as Evaluate. It does not allocate.
func (m *Model) Derivatives(dst []Derivatives, pose rigid.Pose) error {
	f := NewFrame(pose)
	var p Sampled
	var all Couplings
	for k := range m.pickups {
		p.Place(&m.pickups[k], &f)
		for b := range m.sources.sets {
			if err := p.CoupleBlock(&all, m.sources, b, false); err != nil {
				return m.failed(err, k)
			}
			for l := range m.sources.block(b) {
				e, c := b*Block+l, At(&all, l)
				dst[e*len(m.pickups)+k] = Derivatives{c.M, c.ByPose(),
					c.ByEmitter(r3.Sub(pose.Position, m.array.Emitters[e].Center)), c.ByCoil(&f, p.Arm)}
			}
		}
	}
	return nil
}

// failed names the emitter whose field is none.
func (m *Model) failed(err error, coil int) error {
	of := new(SourceError)
	if !errors.As(err, &of) {
		return err
	}
	return fmt.Errorf("mutual: emitter %d (%q), coil %d: %w", of.Source, m.array.Emitters[of.Source].Name, coil, of.Err)
}
