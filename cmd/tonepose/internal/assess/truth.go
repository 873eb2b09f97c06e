package assess

import (
	"cmp"
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/motion"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment"
)

// Truth is where the sensors of a rig truly were.
type Truth struct {
	known []*knownPoses          // by sensor
	of    map[string]*knownPoses // the same by name
}

// ReadTruth reads the truth of a recording that began at start: a CSV of known poses, or the
// folder of another run. It answers as Compare does where nothing is registered.
func ReadTruth(file string, r *rig.Rig, start time.Time) (*Truth, error) {
	a := &Result{Rig: r, Metadata: tables.Metadata{Recording: tables.Recording{Start: start}}}
	known, err := a.readTruth(file)
	if err != nil {
		return nil, err
	}
	t := &Truth{of: known}
	for _, name := range r.SensorNames() {
		t.known = append(t.known, known[name])
	}
	return t, nil
}

// At is the true pose of a sensor at the centre of a window [s]; false: it is not known,
// or its place alone.
func (t *Truth) At(sensor int, time, duration float64) (rigid.Pose, bool) {
	k := t.known[sensor]
	pose, _, ok := k.at(time, duration)
	return pose, ok && !k.placeOnly
}

// knownPoses answers where a sensor truly was.
type knownPoses struct {
	sensor      int       // in the rig
	times       []float64 // of all rows of the run, solved or not
	visits      []knownVisit
	motion      *motion.Spline
	axis        *r3.Vec
	placeOnly   bool
	frame, body rigid.Pose // what a registration found: truth = frame ∘ as read ∘ body
	sigmas      sigmas     // RMS over its timed poses
}

// sigmas are one standard deviation of each component of a truth, position [m] and
// rotation [rad]; 0: not stated.
type sigmas struct{ position, rotation float64 }

func sigmasOf(k *tables.Station) (s sigmas) {
	if !math.IsNaN(k.SigmaPosition) {
		s.position = k.SigmaPosition
	}
	if !math.IsNaN(k.SigmaRotation) && !k.PositionOnly {
		s.rotation = k.SigmaRotation
	}
	return s
}

// knownVisit is a stay at a station.
type knownVisit struct {
	tables.Station
	station, visit int // from 1
}

// readTruth reads the truth of every sensor and numbers its stations: rows with one
// label are one station, or without labels those with one pose.
func (a *Result) readTruth(file string) (map[string]*knownPoses, error) {
	names := a.Rig.SensorNames()
	read := tables.ReadKnown
	if isRun(file) {
		read = readRun
	}
	rows, err := read(file, names, a.Metadata.Recording.Start)
	if err != nil {
		return nil, err
	}
	known := map[string]*knownPoses{}
	for i, name := range names {
		known[name] = &knownPoses{sensor: i, axis: blindAxis(a.Rig, i), frame: identity, body: identity}
	}
	type rest struct {
		sensor, label string
		pose          rigid.Pose
	}
	stations := map[rest]int{}
	a.Stations = []string{""}
	visits := 0
	for _, row := range rows {
		k := known[row.Sensor]
		k.placeOnly = row.PositionOnly
		if row.Stop == row.Start {
			continue
		}
		at := rest{row.Sensor, row.Label, row.Pose}
		if row.Label != "" {
			at.pose = rigid.Pose{}
		}
		station, seen := stations[at]
		if !seen {
			station = len(a.Stations)
			stations[at] = station
			a.Stations = append(a.Stations, cmp.Or(row.Label, fmt.Sprint(station)))
		}
		visits++
		k.visits = append(k.visits, knownVisit{row, station, visits})
	}
	for name, k := range known {
		if err := k.interpolate(rows, name); err != nil {
			return nil, fmt.Errorf("%s: sensor %s: %w", file, name, err)
		}
	}
	return known, nil
}

// interpolate lays a spline through the timed poses.
func (k *knownPoses) interpolate(rows []tables.Station, sensor string) (err error) {
	var times []float64
	var poses []rigid.Pose
	var squares sigmas
	for i := range rows {
		r := &rows[i]
		if r.Sensor != sensor || r.Stop > r.Start {
			continue
		}
		times, poses = append(times, r.Start), append(poses, r.Pose)
		own := sigmasOf(r)
		squares.position += own.position * own.position
		squares.rotation += own.rotation * own.rotation
	}
	if len(times) == 0 {
		return nil
	}
	n := float64(len(times))
	k.sigmas = sigmas{math.Sqrt(squares.position / n), math.Sqrt(squares.rotation / n)}
	k.motion, err = motion.Through(times, poses)
	return err
}

// covered is the share of a window that must lie within a rest: times in a file
// may be rounded, but a window that reaches into a move measures no station.
const covered = 0.95

// at returns the true pose at the centre t [s] of a window of the given
// duration; of several stations the one that shares most time with it, and the
// visit there.
func (k *knownPoses) at(t, duration float64) (rigid.Pose, *knownVisit, bool) {
	best := 0.0
	var visit *knownVisit
	for i := range k.visits {
		v := &k.visits[i]
		shared := math.Min(v.Stop, t+duration/2) - math.Max(v.Start, t-duration/2)
		if duration == 0 && shared == 0 { // an instant within the rest
			return v.Pose, v, true
		}
		if shared > best {
			best, visit = shared, v
		}
	}
	if best > covered*duration {
		return visit.Pose, visit, true
	}
	// Beyond its ends a truth is not known: going on straight for half a window, a hand that brakes is
	// off by more than poses are. Only times that were rounded are forgiven.
	if rounded := (1 - covered) * duration / 2; k.motion != nil && t >= k.motion.First-rounded && t <= k.motion.Last+rounded {
		p, _, _ := k.motion.At(t)
		return p, nil, true
	}
	return rigid.Pose{}, nil, false
}

// sample is a pose beside the truth of its window, and the visit there; false: it is not known.
func (k *knownPoses) sample(row *tables.Pose, offset float64) (s assessment.Sample, visit *knownVisit, ok bool) {
	pose, visit, ok := k.at(row.Time+offset, row.Duration)
	if !ok {
		return s, nil, false
	}
	s = assessment.Sample{Time: row.Time, Estimate: *row.Estimate, Truth: pose, Axis: k.axis, PlaceOnly: k.placeOnly,
		Sensor: k.sensor, Covariance: full(row.Covariance)}
	if visit != nil {
		s.Station, s.Visit = visit.station, visit.visit
	}
	return s, visit, true
}

// trueMotion is the motion of a sensor as registered, in the poses' time.
type trueMotion struct {
	*knownPoses
	offset float64
}

// At implements assessment.Motion.
func (m trueMotion) At(t float64) (p rigid.Pose, velocity, angular r3.Vec, ok bool) {
	t += m.offset
	if t < m.motion.First || t > m.motion.Last {
		return p, velocity, angular, false
	}
	p, velocity, angular = m.motion.At(t)
	if m.frame == identity && m.body == identity { // as read, which most truth is
		return p, velocity, angular, true
	}
	velocity = r3.Add(velocity, r3.Cross(angular, p.Rotate(m.body.Position)))
	return m.frame.Compose(p).Compose(m.body), m.frame.Rotate(velocity), m.frame.Rotate(angular), true
}
