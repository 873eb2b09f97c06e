package pipeline

import (
	"errors"
	"fmt"
	"math"
	"path/filepath"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment"
)

// Assessed is the poses of one run beside their truth.
type Assessed struct {
	Samples  []assessment.Sample
	Sensors  []string // of each sample
	Flags    []tables.Flags
	Unsolved int // rows without a pose
	Beyond   int // poses that the truth says nothing about
	Rig      *rig.Rig
	Metadata tables.Metadata
}

// Assess joins the poses in dir with the truth in a CSV. Truth with intervals
// belongs to the pose whose window it covers; truth with times is interpolated
// smoothly at the window's centre. offset [s] is added to the poses' times.
func Assess(dir, truth string, offset float64) (*Assessed, error) {
	r, err := tables.OpenPoses(filepath.Join(dir, tables.PosesName+".parquet"))
	if err != nil {
		return nil, err
	}
	defer r.Close()
	a := &Assessed{Metadata: r.Metadata}
	if a.Rig, err = rig.Parse(filepath.Join(dir, "rig"), []byte(r.Metadata.Rig), rig.Options{}); err != nil {
		return nil, fmt.Errorf("%s: the rig stored in the table: %w", dir, err)
	}
	var names []string
	for _, s := range a.Rig.Sensors {
		names = append(names, s.Name)
	}
	rows, err := tables.ReadTruth(truth, names)
	if err != nil {
		return nil, err
	}
	known := map[string]*knownPoses{}
	for i, name := range names {
		k, err := newKnownPoses(rows, name)
		if err != nil {
			return nil, fmt.Errorf("%s: sensor %s: %w", truth, name, err)
		}
		k.axis = blindAxis(a.Rig, i)
		known[name] = k
	}
	for row, err := range r.All() {
		if err != nil {
			return nil, err
		}
		if row.Estimate == nil {
			a.Unsolved++
			continue
		}
		k := known[row.Sensor]
		if k == nil {
			return nil, fmt.Errorf("%s: sensor %s is not in the rig stored with it", dir, row.Sensor)
		}
		pose, ok := k.at(row.Time+offset, row.Duration)
		if !ok {
			a.Beyond++
			continue
		}
		s := assessment.Sample{Time: row.Time, Estimate: *row.Estimate, Truth: pose, Axis: k.axis}
		if row.Covariance != nil {
			var c [6][6]float64
			for i := range c {
				for j := range c {
					c[i][j] = row.Covariance.At(i, j)
				}
			}
			s.Covariance = &c
		}
		a.Samples = append(a.Samples, s)
		a.Sensors = append(a.Sensors, row.Sensor)
		a.Flags = append(a.Flags, row.Flags)
	}
	if len(a.Samples) == 0 {
		return nil, errors.Join(ErrNothingToCompare, fmt.Errorf("%s has %d poses, none within the times of %s", dir, a.Beyond, truth))
	}
	return a, nil
}

// ErrNothingToCompare reports that no pose and no truth belong together.
var ErrNothingToCompare = errors.New("no pose to compare")

// knownPoses answers where a sensor truly was.
type knownPoses struct {
	stations []tables.Station
	motion   motion
	from, to float64
	axis     *r3.Vec
}

func newKnownPoses(rows []tables.Station, sensor string) (*knownPoses, error) {
	k := &knownPoses{}
	var times []float64
	var poses []rigid.Pose
	for _, r := range rows {
		switch {
		case r.Sensor != sensor:
		case r.Stop > r.Start:
			k.stations = append(k.stations, r)
		default:
			times, poses = append(times, r.Start), append(poses, r.Pose)
		}
	}
	if len(times) == 0 {
		return k, nil
	}
	if len(times) < 4 {
		return nil, fmt.Errorf("%d timed poses: at least 4 are needed to interpolate between", len(times))
	}
	k.from, k.to = times[0], times[len(times)-1]
	var err error
	k.motion, err = newSplineMotion(times, poses)
	return k, err
}

// at returns the true pose at the centre t [s] of a window of the given
// duration; of several stations the one that shares most time with it.
func (k *knownPoses) at(t, duration float64) (rigid.Pose, bool) {
	best := 0.0
	var pose rigid.Pose
	for _, s := range k.stations {
		shared := math.Min(s.Stop, t+duration/2) - math.Max(s.Start, t-duration/2)
		if shared > best {
			best, pose = shared, s.Pose
		}
	}
	if best > 0.5*duration {
		return pose, true
	}
	// half a window beyond the last truth is still interpolated soundly
	if k.motion != nil && t >= k.from && t <= k.to+duration/2 {
		p, _, _ := k.motion.at(t)
		return p, true
	}
	return rigid.Pose{}, false
}

// blindAxis is the direction about which a sensor's turn can't be seen: that of
// its coils if all share it, else nil.
func blindAxis(r *rig.Rig, sensor int) *r3.Vec {
	coils := r.Sensor(sensor).Coils
	for _, c := range coils[1:] {
		if r3.Norm(r3.Cross(c.Axis, coils[0].Axis)) > 1e-9 ||
			r3.Norm(r3.Cross(r3.Sub(c.Center, coils[0].Center), coils[0].Axis)) > 1e-9 {
			return nil
		}
	}
	axis := coils[0].Axis
	return &axis
}
