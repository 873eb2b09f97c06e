package simulate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Path is the prescribed motion of every sensor of a simulated recording.
type Path struct {
	Tracks   []Track // one a sensor, in the order of the rig's sensors
	Duration float64 // up to which the path is known [s]
	knotStep float64 // couplings between knots are cubic [s]
}

// newPath takes the tracks that track makes, one a sensor.
func newPath(sensors []string, knotStep float64, track func(i int, sensor string) (Track, error)) (*Path, error) {
	p := &Path{knotStep: knotStep}
	for i, s := range sensors {
		t, err := track(i, s)
		if err != nil {
			return nil, err
		}
		p.Tracks = append(p.Tracks, t)
		p.Duration = math.Max(p.Duration, t.last)
	}
	return p, nil
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
	Sensor      string
	Stations    []Station // nil: a free motion
	motion      movement
	first, last float64 // times that it is given for [s]
}

// Station is a rest of a sensor.
type Station struct {
	Start, Stop float64 // [s]
	Pose        rigid.Pose
}

// movement is a pose over time with its first derivative: velocity [m/s] and
// angular velocity [rad/s], both in the rig frame.
type movement interface {
	At(t float64) (p rigid.Pose, velocity, angular r3.Vec)
}

// At returns the pose at t [s], its velocity [m/s] and angular velocity [rad/s]
// in the rig frame. Before a path's start and after its end, resting sensors
// stay, and those on a path of timed poses go on straight and evenly.
func (t *Track) At(time float64) (p rigid.Pose, velocity, angular r3.Vec) {
	return t.motion.At(time)
}

// stationMotion rests at stations in order of time. A move is straight, and
// rotates about one axis, with the quintic 10u³ − 15u⁴ + 6u⁵ of its time: velocity
// and acceleration vanish at both ends.
type stationMotion []Station

func (s stationMotion) At(t float64) (p rigid.Pose, velocity, angular r3.Vec) {
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
	rate := 30 * u * u * (1 - u) * (1 - u) / span
	way, rotation := to.Pose.Minus(from.Pose)
	return from.Pose.Plus(r3.Scale(ease(u), way), r3.Scale(ease(u), rotation)), r3.Scale(rate, way), r3.Scale(rate, rotation)
}

// newStationTrack sorts the stations by time and refuses those that overlap, or
// that leave no time for a move.
func newStationTrack(sensor string, stations []Station) (Track, error) {
	sorted := slices.SortedStableFunc(slices.Values(stations), func(a, b Station) int { return cmp.Compare(a.Start, b.Start) })
	for i := 1; i < len(sorted); i++ {
		a, b := sorted[i-1], sorted[i]
		gap := b.Start - a.Stop
		switch dp, dr := b.Pose.Minus(a.Pose); {
		case gap < 0:
			return Track{}, fmt.Errorf("sensor %s: station %g to %g s overlaps station %g to %g s: a sensor has one position at a time: end one before the other begins, or remove it",
				sensor, b.Start, b.Stop, a.Start, a.Stop)
		case gap == 0 && r3.Norm(dp)+r3.Norm(dr) > 1e-9:
			return Track{}, fmt.Errorf("sensor %s: no time to move between the stations that meet at %g s: leave a gap of some ms",
				sensor, b.Start)
		}
	}
	return Track{Sensor: sensor, Stations: sorted, motion: stationMotion(sorted), first: sorted[0].Start, last: sorted[len(sorted)-1].Stop}, nil
}

// covers reports an error unless the track is known from 0 s to duration. At its first
// and last station a sensor rests on.
func (t *Track) covers(duration float64) error {
	if t.Stations != nil {
		return nil
	}
	if t.first > 0 {
		return fmt.Errorf("sensor %s: the path starts at %g s: it must start at 0 s, with the recording", t.Sensor, t.first)
	}
	if t.last < duration {
		return fmt.Errorf("sensor %s: the path ends at %g s, before the recording's %g s: shorten --duration or lengthen the path",
			t.Sensor, t.last, duration)
	}
	return nil
}
