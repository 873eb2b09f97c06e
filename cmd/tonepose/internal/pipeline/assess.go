package pipeline

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment"
)

// AssessOptions says how poses are brought together with their truth. The zero
// value: same frame, same body, same clock.
type AssessOptions struct {
	Offset   float64 // added to the poses' times before they are compared [s]
	Register Registering
	// Transform is a registration found before, used in place of a fit.
	Transform *Transform
	KeepAll   bool // a registration leaves no outliers out
	Seed      uint64
	// AtTip compares the sensors' points of interest instead of their origins.
	AtTip  bool
	Sensor string // only this one; empty: all
}

// Assessed is the poses of one run beside their truth.
type Assessed struct {
	Samples  []assessment.Sample
	Sensors  []string // of each sample
	Flags    []tables.Flags
	Duration []float64 // of each sample's window [s]
	Unsolved int       // rows without a pose
	Beyond   int       // poses that the truth says nothing about
	Rig      *rig.Rig
	Metadata tables.Metadata

	Stations     []string // labels of the samples' stations, from index 1
	Registration *Registered

	raw    []rigid.Pose // the samples' estimates as solved
	known  []sigmas     // of the samples' truth
	truth  map[string]*knownPoses
	times  map[string][]float64 // of all rows of a sensor, solved or not
	offset float64
}

// ErrNothingToCompare reports that no pose and no truth belong together.
var ErrNothingToCompare = errors.New("no pose to compare")

// Assess joins the poses in dir with the truth in a CSV. Truth with intervals
// belongs to the pose whose window it covers; truth with times is interpolated
// smoothly at the window's centre. offset [s] is added to the poses' times.
func Assess(dir, truth string, offset float64) (*Assessed, error) {
	return AssessWith(dir, truth, AssessOptions{Offset: offset})
}

// AssessWith is Assess for truth in another frame, on another body or of another
// point.
func AssessWith(dir, truth string, o AssessOptions) (*Assessed, error) {
	r, a, err := openAssessed(dir)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	a.offset = o.Offset
	if o.Sensor != "" {
		if _, err := a.sensorIndex(o.Sensor); err != nil {
			return nil, err
		}
	}
	if a.truth, err = a.readTruth(truth); err != nil {
		return nil, err
	}
	for row, err := range r.All() {
		if err != nil {
			return nil, err
		}
		if o.Sensor != "" && row.Sensor != o.Sensor {
			continue
		}
		k := a.truth[row.Sensor]
		if k == nil {
			return nil, fmt.Errorf("%s: sensor %s is not in the rig stored with it", dir, row.Sensor)
		}
		a.times[row.Sensor] = append(a.times[row.Sensor], row.Time)
		if row.Estimate == nil {
			a.Unsolved++
			continue
		}
		pose, visit, ok := k.at(row.Time+o.Offset, row.Duration)
		if !ok {
			a.Beyond++
			continue
		}
		s := assessment.Sample{Time: row.Time, Estimate: *row.Estimate, Truth: pose, Axis: k.axis, PlaceOnly: k.placeOnly,
			Sensor: k.sensor, Covariance: full(row.Covariance)}
		sigma := k.sigmas
		if visit != nil {
			s.Station, s.Visit = visit.station, visit.visit
			sigma = sigmasOf(&visit.Station)
		}
		a.Samples, a.raw, a.known = append(a.Samples, s), append(a.raw, *row.Estimate), append(a.known, sigma)
		a.Sensors = append(a.Sensors, row.Sensor)
		a.Flags = append(a.Flags, row.Flags)
		a.Duration = append(a.Duration, row.Duration)
	}
	if len(a.Samples) == 0 {
		return nil, errors.Join(ErrNothingToCompare, fmt.Errorf("%s has %d poses, none within the times of %s", dir, a.Beyond, truth))
	}
	if o.AtTip {
		if err := a.moveToTip(true); err != nil {
			return nil, err
		}
	}
	if err := a.register(o); err != nil {
		return nil, fmt.Errorf("%s: %w", truth, err)
	}
	if o.AtTip {
		return a, a.moveToTip(false)
	}
	return a, nil
}

// openAssessed opens a run's poses and the rig stored with them.
func openAssessed(dir string) (*tables.Reader[tables.Pose], *Assessed, error) {
	r, err := tables.Open[tables.Pose](filepath.Join(dir, tables.PosesName+".parquet"))
	if err != nil {
		return nil, nil, err
	}
	a := &Assessed{Metadata: r.Metadata, times: map[string][]float64{}}
	// Files that the rig names lie where it lay when the run was made.
	name := r.Metadata.Options["rig"]
	if name == "" {
		name = filepath.Join(dir, "rig")
	}
	if a.Rig, err = rig.Parse(name, []byte(r.Metadata.Rig), rig.Options{}); err != nil {
		r.Close()
		return nil, nil, fmt.Errorf("%s: the rig stored in the table: %w", dir, err)
	}
	return r, a, nil
}

func full(c *tables.Covariance) *[6][6]float64 {
	if c == nil {
		return nil
	}
	var out [6][6]float64
	for i := range out {
		for j := range out {
			out[i][j] = c.At(i, j)
		}
	}
	return &out
}

// Part is the assessment of those samples that keep tells.
func (a *Assessed) Part(keep func(i int) bool) *Assessed {
	part := *a
	part.Samples, part.raw, part.known, part.Sensors, part.Flags, part.Duration = nil, nil, nil, nil, nil, nil
	for i := range a.Samples {
		if keep(i) {
			part.Samples, part.raw, part.known = append(part.Samples, a.Samples[i]), append(part.raw, a.raw[i]), append(part.known, a.known[i])
			part.Sensors = append(part.Sensors, a.Sensors[i])
			part.Flags = append(part.Flags, a.Flags[i])
			part.Duration = append(part.Duration, a.Duration[i])
		}
	}
	return &part
}

// Sensor is the part of one sensor.
func (a *Assessed) Sensor(name string) *Assessed {
	return a.Part(func(i int) bool { return a.Sensors[i] == name })
}

// Unflagged is the part without doubts.
func (a *Assessed) Unflagged() *Assessed {
	return a.Part(func(i int) bool { return a.Flags[i] == 0 })
}

// SensorNames lists the sensors that have samples, in the rig's order.
func (a *Assessed) SensorNames() (names []string) {
	for _, s := range a.Rig.Sensors {
		if slices.Contains(a.Sensors, s.Name) {
			names = append(names, s.Name)
		}
	}
	return names
}

// moveToTip moves estimates, truth and covariances from the sensors' origins to
// their points of interest. A truth of places only speaks of that point already,
// so its samples are moved before it is registered, all others after.
func (a *Assessed) moveToTip(placeOnly bool) error {
	for i := range a.Samples {
		s := &a.Samples[i]
		if s.PlaceOnly != placeOnly {
			continue
		}
		tip := a.Rig.Sensors[s.Sensor].TipM
		if tip == nil {
			return fmt.Errorf("sensor %s has no tip_m in its rig: find it with assess --pivot", a.Sensors[i])
		}
		if s.Axis != nil && r3.Norm(r3.Cross(*tip, *s.Axis)) > 1e-9 {
			return fmt.Errorf("sensor %s: tip_m lies off the axis about which its turn can't be seen", a.Sensors[i])
		}
		arm := s.Estimate.Rotate(*tip)
		s.Estimate.Position = r3.Add(s.Estimate.Position, arm)
		if !placeOnly {
			s.Truth.Position = s.Truth.Apply(*tip)
		}
		if s.Covariance != nil {
			moved := atArm(s.Covariance, arm)
			s.Covariance = &moved
		}
	}
	if placeOnly {
		return nil
	}
	for _, k := range a.truth {
		if tip := a.Rig.Sensors[k.sensor].TipM; !k.placeOnly && tip != nil {
			k.body.Position = k.body.Apply(*tip)
		}
	}
	return nil
}

// atArm is the covariance of a pose taken at a point arm [m] from its origin,
// outer frame: δp + δ × arm, δ.
func atArm(c *[6][6]float64, arm r3.Vec) (out [6][6]float64) {
	var j [6][6]float64
	for i := range j {
		j[i][i] = 1
	}
	// δ × arm = −[arm]×·δ
	j[0][4], j[0][5] = arm.Z, -arm.Y
	j[1][3], j[1][5] = -arm.Z, arm.X
	j[2][3], j[2][4] = arm.Y, -arm.X
	return sandwich(&j, c)
}

// sandwich is j·c·jᵀ.
func sandwich(j, c *[6][6]float64) (out [6][6]float64) {
	var half [6][6]float64
	for a := range 6 {
		for b := range 6 {
			for k := range 6 {
				half[a][b] += j[a][k] * c[k][b]
			}
		}
	}
	for a := range 6 {
		for b := range 6 {
			for k := range 6 {
				out[a][b] += half[a][k] * j[b][k]
			}
		}
	}
	return out
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

var stay = rigid.Identity()
