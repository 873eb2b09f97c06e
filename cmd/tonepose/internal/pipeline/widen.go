package pipeline

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// metal is the map of a rig that was calibrated near static metal, as one
// sensor needs it. The map's fields are part of the emitters'; what is left here
// are the errors of map and bench together: a solver.Errors.
type metal struct {
	known  *correction.Map
	added  []*correction.Harmonics // of each emitter
	own    fieldmodels.Array       // without the map
	sensor mutual.Sensor
	first  int // of the sensor's coils among the parameters of the map's bench
}

func newMetal(known *correction.Map, own fieldmodels.Array, s mutual.Sensor, first int) *metal {
	m := &metal{known: known, own: own, sensor: s, first: first}
	for e := range own.Emitters {
		m.added = append(m.added, known.Source(e))
	}
	return m
}

// Covariance writes what the errors of map and bench do to the couplings at a
// pose.
func (m *metal) Covariance(dst []float64, pose rigid.Pose) error {
	pickups, bench, err := m.derivatives(pose)
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
func (m *metal) derivatives(poses ...rigid.Pose) (pickups [][]mutual.Point, bench []float64, err error) {
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

// widen adds the variances of these errors at a found pose to those of the
// couplings, for what takes every coupling by itself.
func (m *metal) widen(obs solver.Couplings, result *solver.Result) {
	if m == nil || result.Status != solver.Converged {
		return
	}
	n := len(obs.Variance)
	cov := make([]float64, n*n)
	if m.Covariance(cov, result.Pose) != nil {
		return
	}
	for k := range n {
		obs.Variance[k] += cov[k*n+k] // +Inf stays: missing
	}
}

// lasting adds to the covariance of a pose that many windows gave what these
// errors do to it: they are the same in all windows nearby, and no mean over time
// takes them away. variance has the couplings' weights.
func (m *metal) lasting(s *solver.Solver, variance []float64, pose rigid.Pose, covariance *[6][6]float64) error {
	if m == nil {
		return nil
	}
	n := len(variance)
	slopes, common := make([][6]float64, n), mat.NewDense(n, n, nil)
	if err := s.Evaluate(pose, nil, slopes); err != nil {
		return err
	}
	if err := m.Covariance(common.RawMatrix().Data, pose); err != nil {
		return err
	}
	// Least squares in units of each coupling's sigma, of a metre and of a radian
	// at a tenth of that; what no coupling sees stays as it is.
	const arm = 0.1
	weighted := mat.NewDense(n, 6, nil)
	for i, v := range variance {
		w := 1 / math.Sqrt(v) // +Inf: missing
		for k, d := range slopes[i] {
			if k >= 3 {
				d /= arm
			}
			weighted.Set(i, k, w*d)
		}
		for k := range n {
			common.Set(i, k, w*common.At(i, k))
			common.Set(k, i, w*common.At(k, i))
		}
	}
	var svd mat.SVD
	if !svd.Factorize(weighted, mat.SVDThin) {
		return errSingular
	}
	rank := svd.Rank(1e-9)
	if rank == 0 {
		return nil
	}
	var half, moved mat.Dense
	svd.SolveTo(&half, common, rank)
	svd.SolveTo(&moved, half.T(), rank)
	for i := range 6 {
		for k := range 6 {
			v := (moved.At(i, k) + moved.At(k, i)) / 2
			if i >= 3 {
				v /= arm
			}
			if k >= 3 {
				v /= arm
			}
			covariance[i][k] += v
		}
	}
	return nil
}

var errSingular = errors.New("the couplings' derivatives have no singular values")
