// Package assess compares the poses of a run with their truth: Compare joins them,
// and Run gives errors, lag, drift and where their uncertainty comes from. A Tally gives
// the errors alone, row by row. Pivot finds the tip of a pointer from the poses alone.
package assess

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment"
	"tonepose/solver/assessment/registration"
)

// Options are how poses are brought together with their truth. The zero
// value: same frame, same body, same clock.
type Options struct {
	Offset   float64 // added to the poses' times before they are compared [s]
	Register Registering
	// Transform is a registration found before, used in place of a fit; Run reads
	// it from TransformFile; the one it found may be written to SaveTransform.
	Transform                    *registration.Mounting
	TransformFile, SaveTransform string
	Force                        bool   // replace SaveTransform
	KeepAll                      bool   // a registration leaves no outliers out
	Seed                         uint64 // of the search for outliers and of the resamples
	// AtTip compares the sensors' points of interest instead of their origins.
	AtTip  bool
	Sensor string // only this one; empty: all

	Budget     bool    // split the uncertainty by its sources
	Reach      float64 // how far a lag is looked for [s]
	Confidence float64 // of the intervals, as 0.95
	Resamples  int     // of the bootstrap; 0: its default; negative: no intervals

	Progress stream.Progress
}

// Result is the poses of one run beside their truth.
type Result struct {
	Samples  []assessment.Sample
	Rows     []Row // of the samples
	Unsolved int   // rows without a pose
	Beyond   int   // poses outside of the truth's times
	Rig      *rig.Rig
	Metadata tables.Metadata

	Stations     []string // labels of the samples' stations, from index 1
	Registration *Registered

	truth  map[string]*knownPoses
	offset float64
}

// Row is the row of a run's table that a sample comes from.
type Row struct {
	Sensor string
	Flags  verdict.Flags
	raw    rigid.Pose // as solved
	known  sigmas     // of the truth
}

// Compare joins the poses in dir with the truth in a CSV. Truth with intervals
// belongs to the pose whose window it covers; truth with times is interpolated
// smoothly at the window's centre. measure.ErrNoRow reports that no pose and no truth
// belong together.
func Compare(ctx context.Context, dir, truth string, o Options) (*Result, error) {
	r, a, err := openRun(dir)
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
	read := int64(0)
	for row, err := range r.All() {
		read++
		o.Progress.Report("read", read, 0)
		if err := errors.Join(err, ctx.Err()); err != nil {
			return nil, err
		}
		if o.Sensor != "" && row.Sensor != o.Sensor {
			continue
		}
		k := a.truth[row.Sensor]
		if k == nil {
			return nil, fmt.Errorf("%s: sensor %s is not in the rig stored with it", dir, row.Sensor)
		}
		k.times = append(k.times, row.Time)
		if row.Estimate == nil {
			a.Unsolved++
			continue
		}
		s, visit, ok := k.sample(&row, o.Offset)
		if !ok {
			a.Beyond++
			continue
		}
		sigma := k.sigmas
		if visit != nil {
			sigma = sigmasOf(&visit.Station)
		}
		a.Samples = append(a.Samples, s)
		a.Rows = append(a.Rows, Row{row.Sensor, row.Flags, *row.Estimate, sigma})
	}
	if len(a.Samples) == 0 {
		return nil, fmt.Errorf("%s: %w: it has %d poses and %d rows without one; no pose lies within the times of %s", dir, measure.ErrNoRow, a.Beyond, a.Unsolved, truth)
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

// openRun opens a run's poses and the rig stored with them.
func openRun(dir string) (*tables.Reader[tables.Pose], *Result, error) {
	r, err := tables.Open[tables.Pose](filepath.Join(dir, tables.PosesName+".parquet"))
	if err != nil {
		return nil, nil, err
	}
	a := &Result{Metadata: r.Metadata}
	// Files that the rig names lie where it lay when the run was made.
	name := cmp.Or(r.Metadata.Options["rig"], filepath.Join(dir, "rig"))
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

// part is the assessment of those samples that keep chooses.
func (a *Result) part(keep func(i int) bool) *Result {
	part := *a
	n := 0
	for i := range a.Samples {
		if keep(i) {
			n++
		}
	}
	if n == len(a.Samples) {
		return &part
	}
	part.Samples, part.Rows = make([]assessment.Sample, 0, n), make([]Row, 0, n)
	for i := range a.Samples {
		if keep(i) {
			part.Samples, part.Rows = append(part.Samples, a.Samples[i]), append(part.Rows, a.Rows[i])
		}
	}
	return &part
}

// Sensor is the part of one sensor.
func (a *Result) Sensor(name string) *Result {
	return a.part(func(i int) bool { return a.Rows[i].Sensor == name })
}

// SensorNames lists the sensors that have samples, in the rig's order.
func (a *Result) SensorNames() []string {
	return slices.DeleteFunc(a.Rig.SensorNames(), func(name string) bool {
		return !slices.ContainsFunc(a.Rows, func(r Row) bool { return r.Sensor == name })
	})
}

// moveToTip moves estimates, truth and covariances from the sensors' origins to
// their points of interest. A truth of positions alone is one of that point already,
// so its samples are moved before it is registered, all others after.
func (a *Result) moveToTip(placeOnly bool) error {
	for i := range a.Samples {
		s := &a.Samples[i]
		if s.PlaceOnly != placeOnly {
			continue
		}
		tip := a.Rig.Sensors[s.Sensor].TipM
		if tip == nil {
			return fmt.Errorf("sensor %s has no tip_m in its rig: find it with assess --pivot", a.Rows[i].Sensor)
		}
		if s.Axis != nil && !onAxis(a.Rig.Sensor(s.Sensor), *tip) {
			return fmt.Errorf("sensor %s: tip_m lies off the axis about which its rotation can't be seen", a.Rows[i].Sensor)
		}
		arm := s.Estimate.Rotate(*tip)
		s.Estimate.Position = r3.Add(s.Estimate.Position, arm)
		if !placeOnly {
			s.Truth.Position = s.Truth.Apply(*tip)
		}
		if s.Covariance != nil {
			moved := rigid.CovarianceAt(s.Covariance, arm)
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

// blindAxis is the direction about which a sensor's rotation can't be seen; nil: none.
func blindAxis(r *rig.Rig, sensor int) *r3.Vec {
	if axis, ok := r.Sensor(sensor).BlindAxis(); ok {
		return &axis
	}
	return nil
}

// onAxis tells whether a point of a sensor with a blind axis stays where it is when
// the sensor rotates about that: a coil there would not show the rotation either.
func onAxis(s mutual.Sensor, point r3.Vec) bool {
	s.Coils = append(slices.Clone(s.Coils), mutual.Coil{Center: point, Axis: s.Coils[0].Axis})
	_, ok := s.BlindAxis()
	return ok
}

var identity = rigid.Identity()
