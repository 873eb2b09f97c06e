package bench

import (
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// Metal is the map of a rig that was calibrated near static metal, as one
// sensor needs it. The map's fields are part of the emitters'; what is left here
// are the errors of map and bench together: a solver.Errors.
type Metal struct {
	known  *correction.Map
	added  []*correction.Harmonics // of each emitter
	own    fieldmodels.Array       // without the map
	sensor mutual.Sensor
	first  int // of the sensor's coils among the parameters of the map's bench
}

// NewMetal knows the errors of a map for one sensor, the parameters of whose coils
// start at first among those of the map's bench.
func NewMetal(known *correction.Map, own fieldmodels.Array, s mutual.Sensor, first int) *Metal {
	m := &Metal{known: known, own: own, sensor: s, first: first}
	for e := range own.Emitters {
		m.added = append(m.added, known.Source(e))
	}
	return m
}

// Covariance writes what the errors of map and bench do to the couplings at a
// pose.
func (m *Metal) Covariance(dst []float64, pose rigid.Pose) error {
	return m.Covariances(dst, pose)
}

// Covariances writes the same of the couplings at all of the poses together,
// emitter by emitter, pose by pose, coil by coil.
func (m *Metal) Covariances(dst []float64, poses ...rigid.Pose) error {
	pickups, bench, err := m.derivatives(poses...)
	if err != nil {
		return err
	}
	m.known.Propagate(dst, pickups, bench)
	return nil
}

// derivatives returns the coils at all of the poses, and what the parameters of
// the bench do to each emitter's couplings with them, as correction.Map.Propagate
// takes them. Both are at the coils' centres: a disc's radius changes covariances
// by the square of that over the distance.
func (m *Metal) derivatives(poses ...rigid.Pose) (pickups [][]mutual.Point, bench []float64, err error) {
	coils := len(m.sensor.Coils)
	all, parameters := coils*len(poses), m.known.Parameters()
	bench = make([]float64, len(m.own.Emitters)*all*parameters)
	for i := range all {
		pose, coil := poses[i/coils], &m.sensor.Coils[i%coils]
		back := pose.Inverse()
		at, axis := pose.Apply(coil.Center), r3.Scale(coil.AreaTurns, r3.Unit(pose.Rotate(coil.Axis)))
		pickups = append(pickups, []mutual.Point{{At: at, Along: axis}})
		for e, emitter := range m.own.Emitters {
			b, j, err := emitter.Source.Gradient(at)
			if err != nil {
				return nil, nil, err
			}
			row := bench[(e*all+i)*parameters:][:parameters]
			of := row[e*fieldmodels.ParametersPerEmitter:]
			for k, v := range fieldmodels.EmitterDerivatives(b, j, r3.Sub(at, emitter.Center)) {
				of[k] = r3.Dot(axis, v)
			}
			more, slope, err := m.added[e].Gradient(at)
			if err != nil {
				return nil, nil, err
			}
			b = r3.Add(b, more)
			for i := range j {
				for k := range j[i] {
					j[i][k] += slope[i][k]
				}
			}
			// The metal's field goes with the emitter's strength, and stays where it
			// is when the emitter moves.
			of[fieldmodels.ParametersPerEmitter-1] = r3.Dot(axis, b)
			along := r3.Vec{
				X: j[0][0]*axis.X + j[1][0]*axis.Y + j[2][0]*axis.Z,
				Y: j[0][1]*axis.X + j[1][1]*axis.Y + j[2][1]*axis.Z,
				Z: j[0][2]*axis.X + j[1][2]*axis.Y + j[2][2]*axis.Z,
			}
			shift, tilt := back.Rotate(along), back.Rotate(r3.Cross(axis, b))
			of = row[m.first+i%coils*mutual.ParametersPerCoil:]
			of[0], of[1], of[2] = shift.X, shift.Y, shift.Z
			of[3], of[4], of[5] = tilt.X, tilt.Y, tilt.Z
			of[6] = r3.Dot(axis, b)
		}
	}
	return pickups, bench, nil
}
