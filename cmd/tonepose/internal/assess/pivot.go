package assess

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment/registration"
)

// Pivoted is the tip of a pointer, found from poses while it rotated about it.
type Pivoted struct {
	Sensor     string     `json:"sensor"`
	Poses      int        `json:"n"`
	Outliers   int        `json:"outliers"`
	Tip        [3]float64 `json:"tip_m"` // in the sensor's frame
	SigmaTip   [3]float64 `json:"sigma_tip_m"`
	Point      [3]float64 `json:"point_m"` // where it stayed, rig frame
	SigmaPoint [3]float64 `json:"sigma_point_m"`
	RMS        float64    `json:"rms_m"`
	ChiSquare  float64    `json:"chi2"`
	DOF        int        `json:"dof"`
	Rig        string     `json:"rig,omitempty"` // the rig file that has the tip
}

// PivotOptions say whose tip is found.
type PivotOptions struct {
	Sensor  string // may be empty if there is one
	KeepAll bool   // leave no outliers out
	Seed    uint64 // of the search for them
	SaveRig string // rig file to write, with the tip as tip_m; empty: none
	Force   bool   // replace it
}

// Pivot finds the tip of a sensor from all poses in dir. Flagged poses take no
// part while enough are left without them.
func Pivot(ctx context.Context, dir string, o PivotOptions) (*Pivoted, error) {
	if err := files.Refuse(o.SaveRig, o.Force); err != nil {
		return nil, err
	}
	r, a, err := openRun(dir)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	index, err := a.sensorIndex(o.Sensor)
	if err != nil {
		return nil, err
	}
	name := a.Rig.Sensors[index].Name
	var clean, all []rigid.Pose
	var cleanCov, allCov []registration.Cov6
	for row, err := range r.All() {
		if err := errors.Join(err, ctx.Err()); err != nil {
			return nil, err
		}
		if row.Sensor != name || row.Estimate == nil || row.Covariance == nil {
			continue
		}
		c := *full(row.Covariance)
		all, allCov = append(all, *row.Estimate), append(allCov, c)
		if row.Flags == 0 {
			clean, cleanCov = append(clean, *row.Estimate), append(cleanCov, c)
		}
	}
	if len(clean) >= 12 || len(clean) >= len(all)/2 {
		all, allCov = clean, cleanCov
	}
	tip, err := registration.Pivot(all, allCov, blindAxis(a.Rig, index), registration.Options{KeepAll: o.KeepAll, Seed: o.Seed})
	if errors.Is(err, registration.ErrUndetermined) {
		return nil, fmt.Errorf("%s: %w: sensor %s with %d poses: %w", dir, measure.ErrNoRow, name, len(all), err)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: sensor %s: %w", dir, name, err)
	}
	p := &Pivoted{Sensor: name, Poses: len(all), Outliers: len(tip.Outliers()), Tip: [3]float64{tip.Tip.X, tip.Tip.Y, tip.Tip.Z},
		Point: [3]float64{tip.Point.X, tip.Point.Y, tip.Point.Z}, RMS: tip.RMS, ChiSquare: tip.ChiSquare, DOF: tip.DOF, Rig: o.SaveRig}
	for i := range 3 {
		p.SigmaTip[i], p.SigmaPoint[i] = math.Sqrt(tip.TipCovariance[i][i]), math.Sqrt(tip.PointCovariance[i][i])
	}
	if o.SaveRig != "" {
		edit := a.Rig.Edit()
		edit.SetVector(fmt.Sprintf("sensors[%d].tip_m", index), tip.Tip)
		if _, err := edit.Save(o.SaveRig); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// sensorIndex finds a sensor of the rig; an empty name stands for the only one.
func (a *Result) sensorIndex(name string) (int, error) {
	names := a.Rig.SensorNames()
	if name == "" && len(names) == 1 {
		return 0, nil
	}
	i := slices.Index(names, name)
	if i < 0 {
		return 0, fmt.Errorf("sensor %q: name one of %v with --sensor", name, names)
	}
	return i, nil
}
