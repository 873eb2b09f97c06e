package pipeline

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/interp"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Path is the prescribed motion of every sensor of a simulated recording.
type Path struct {
	Tracks   []Track // one a sensor, in the order of the rig's sensors
	Duration float64 // that the path itself speaks of [s]
	knotStep float64 // couplings between knots are cubic [s]
}

const (
	// quickKnots [s] resolve moves of 20 ms: relative error (0.5/5)⁴/384 = 3e-7.
	quickKnots = 0.5e-3
	// slowKnots [s] resolve a sweep, whose fields change in no less than 30 ms.
	slowKnots = 2e-3
)

// Track is the motion of one sensor: through timed poses, or resting at
// stations with smooth moves between.
type Track struct {
	Sensor   string
	Stations []Station // nil: a free motion
	motion   motion
}

// Station is a rest of a sensor.
type Station struct {
	Start, Stop float64 // [s]
	Pose        rigid.Pose
}

// motion is a pose over time with its first derivative: velocity [m/s] and
// angular velocity [rad/s], both in the rig frame.
type motion interface {
	at(t float64) (p rigid.Pose, velocity, angular r3.Vec)
}

// At returns the pose at t [s], its velocity [m/s] and angular velocity [rad/s]
// in the rig frame. Before a path's start and after its end, resting sensors
// stay, and moving ones go on straight and evenly.
func (t *Track) At(time float64) (p rigid.Pose, velocity, angular r3.Vec) {
	return t.motion.at(time)
}

// splineMotion runs through timed poses: a cubic spline in each coordinate, and
// one in each component of the quaternion (signs aligned), normalised. Position
// and rotation have continuous second derivatives; at the knots the pose is the
// given one.
type splineMotion struct {
	first, last float64
	x, y, z     interp.NotAKnotCubic
	q           [4]interp.NotAKnotCubic
}

// newSplineMotion needs at least four poses at rising times.
func newSplineMotion(times []float64, poses []rigid.Pose) (*splineMotion, error) {
	n := len(times)
	s := &splineMotion{first: times[0], last: times[n-1]}
	col := make([][]float64, 7)
	for i := range col {
		col[i] = make([]float64, n)
	}
	sign := 1.0
	for i, p := range poses {
		if i > 0 {
			a, b := poses[i-1].Rotation, p.Rotation
			if a.Real*b.Real+a.Imag*b.Imag+a.Jmag*b.Jmag+a.Kmag*b.Kmag < 0 {
				sign = -sign
			}
		}
		q := quat.Scale(sign, p.Rotation)
		for j, v := range []float64{p.Position.X, p.Position.Y, p.Position.Z, q.Real, q.Imag, q.Jmag, q.Kmag} {
			col[j][i] = v
		}
	}
	for j, c := range []*interp.NotAKnotCubic{&s.x, &s.y, &s.z, &s.q[0], &s.q[1], &s.q[2], &s.q[3]} {
		if err := c.Fit(times, col[j]); err != nil {
			return nil, fmt.Errorf("spline through %d poses: %w", n, err)
		}
	}
	return s, nil
}

func (s *splineMotion) at(t float64) (p rigid.Pose, velocity, angular r3.Vec) {
	in := min(max(t, s.first), s.last)
	p.Position = r3.Vec{X: s.x.Predict(in), Y: s.y.Predict(in), Z: s.z.Predict(in)}
	velocity = r3.Vec{X: s.x.PredictDerivative(in), Y: s.y.PredictDerivative(in), Z: s.z.PredictDerivative(in)}
	q := quat.Number{Real: s.q[0].Predict(in), Imag: s.q[1].Predict(in), Jmag: s.q[2].Predict(in), Kmag: s.q[3].Predict(in)}
	dq := quat.Number{Real: s.q[0].PredictDerivative(in), Imag: s.q[1].PredictDerivative(in),
		Jmag: s.q[2].PredictDerivative(in), Kmag: s.q[3].PredictDerivative(in)}
	// ω = 2·vec(q̇·q*)/|q|²: the part of q̇ along q changes only its length.
	w := quat.Mul(dq, quat.Conj(q))
	f := 2 / (q.Real*q.Real + q.Imag*q.Imag + q.Jmag*q.Jmag + q.Kmag*q.Kmag)
	angular = r3.Vec{X: f * w.Imag, Y: f * w.Jmag, Z: f * w.Kmag}
	p.Rotation = rigid.Normalize(q)
	if beyond := t - in; beyond != 0 {
		p = p.Plus(r3.Scale(beyond, velocity), r3.Scale(beyond, angular))
	}
	return p, velocity, angular
}

// stationMotion rests at stations in order of time. A move is straight, and
// turns about one axis, with the quintic 10u³ − 15u⁴ + 6u⁵ of its time: velocity
// and acceleration vanish at both ends.
type stationMotion []Station

func (s stationMotion) at(t float64) (p rigid.Pose, velocity, angular r3.Vec) {
	next := sort.Search(len(s), func(i int) bool { return s[i].Start > t })
	if next == 0 {
		return s[0].Pose, r3.Vec{}, r3.Vec{}
	}
	from := s[next-1]
	if t <= from.Stop || next == len(s) {
		return from.Pose, r3.Vec{}, r3.Vec{}
	}
	to := s[next]
	span := to.Start - from.Stop
	u := (t - from.Stop) / span
	ease := u * u * u * (10 - u*(15-6*u))
	rate := 30 * u * u * (1 - u) * (1 - u) / span
	way, turn := to.Pose.Minus(from.Pose)
	return from.Pose.Plus(r3.Scale(ease, way), r3.Scale(ease, turn)), r3.Scale(rate, way), r3.Scale(rate, turn)
}

// newStationTrack sorts the stations by time and refuses those that overlap, or
// that leave no time for a move.
func newStationTrack(sensor string, stations []Station) (Track, error) {
	sorted := append([]Station(nil), stations...)
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].Start < sorted[j].Start })
	for i := 1; i < len(sorted); i++ {
		a, b := sorted[i-1], sorted[i]
		gap := b.Start - a.Stop
		switch dp, dr := b.Pose.Minus(a.Pose); {
		case gap < 0:
			return Track{}, fmt.Errorf("sensor %s: station %g to %g s overlaps station %g to %g s: a sensor is at one place at a time",
				sensor, b.Start, b.Stop, a.Start, a.Stop)
		case gap == 0 && r3.Norm(dp)+r3.Norm(dr) > 1e-9:
			return Track{}, fmt.Errorf("sensor %s: no time to move between the stations that meet at %g s: leave a gap of some ms",
				sensor, b.Start)
		}
	}
	return Track{Sensor: sensor, Stations: sorted, motion: stationMotion(sorted)}, nil
}

// end is the time up to which a track speaks.
func (t *Track) end() float64 {
	if s, ok := t.motion.(*splineMotion); ok {
		return s.last
	}
	return t.Stations[len(t.Stations)-1].Stop
}

// covers reports whether the track says where its sensor is up to duration.
func (t *Track) covers(duration float64) error {
	s, ok := t.motion.(*splineMotion)
	if !ok {
		return nil
	}
	if s.first > 0 {
		return fmt.Errorf("sensor %s: the path starts at %g s: it must start at 0 s, with the recording", t.Sensor, s.first)
	}
	if s.last < duration {
		return fmt.Errorf("sensor %s: the path ends at %g s, before the recording's %g s: shorten --duration or lengthen the path",
			t.Sensor, s.last, duration)
	}
	return nil
}

// longest returns the end of the track that lasts longest.
func longest(tracks []Track) float64 {
	d := 0.0
	for i := range tracks {
		d = math.Max(d, tracks[i].end())
	}
	return d
}
