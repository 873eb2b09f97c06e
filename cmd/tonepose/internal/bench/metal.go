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

// NewMetal has the errors of a map for one sensor, the parameters of whose coils
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
		pose, coil := poses[i/coils], m.sensor.Coils[i%coils]
		coil.Radius = 0
		frame, pickup := mutual.NewFrame(pose), mutual.NewPickup(coil)
		var at mutual.Placed
		pickup.Place(&at, &frame)
		pickups = append(pickups, at.Points(0))
		for e, emitter := range m.own.Emitters {
			var own, with mutual.Coupling
			if err := at.Couple(&own, emitter.Source); err != nil {
				return nil, nil, err
			}
			if err := at.Couple(&with, m.added[e]); err != nil {
				return nil, nil, err
			}
			with.Add(&own)
			// The metal's field goes with the emitter's strength, and stays where it
			// is when the emitter moves.
			byEmitter := own.ByEmitter(r3.Sub(pose.Position, emitter.Center))
			byEmitter[fieldmodels.ParametersPerEmitter-1] = with.M
			byCoil := with.ByCoil(&frame, at.Arm)
			row := bench[(e*all+i)*parameters:][:parameters]
			copy(row[e*fieldmodels.ParametersPerEmitter:], byEmitter[:])
			copy(row[m.first+i%coils*mutual.ParametersPerCoil:], byCoil[:])
		}
	}
	return pickups, bench, nil
}
