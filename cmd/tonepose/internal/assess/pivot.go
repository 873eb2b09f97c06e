package assess

import (
	"errors"
	"fmt"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment/registration"
)

// Pivoted is the tip of a pointer, found from poses while it turned about it.
type Pivoted struct {
	*registration.Tip
	Sensor string
	Poses  int
	Index  int // of the sensor in the rig
}

// Pivot finds the tip of a sensor from all poses in dir; sensor may be empty if
// there is one. Flagged poses take no part while enough are left without them.
func Pivot(dir, sensor string, keepAll bool, seed uint64) (*Pivoted, *Result, error) {
	r, a, err := openRun(dir)
	if err != nil {
		return nil, nil, err
	}
	defer r.Close()
	index, err := a.sensorIndex(sensor)
	if err != nil {
		return nil, nil, err
	}
	name := a.Rig.Sensors[index].Name
	var clean, all []rigid.Pose
	var cleanCov, allCov []registration.Cov6
	for row, err := range r.All() {
		if err != nil {
			return nil, nil, err
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
	tip, err := registration.Pivot(all, allCov, blindAxis(a.Rig, index), registration.Options{KeepAll: keepAll, Seed: seed})
	if errors.Is(err, registration.ErrUndetermined) {
		return nil, nil, fmt.Errorf("%w: %s, sensor %s with %d poses: %w", ErrNothingToCompare, dir, name, len(all), err)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("%s: sensor %s: %w", dir, name, err)
	}
	return &Pivoted{Tip: tip, Sensor: name, Poses: len(all), Index: index}, a, nil
}

// sensorIndex finds a sensor of the rig; an empty name stands for the only one.
func (a *Result) sensorIndex(name string) (int, error) {
	if name == "" && len(a.Rig.Sensors) == 1 {
		return 0, nil
	}
	var names []string
	for i, s := range a.Rig.Sensors {
		if s.Name == name {
			return i, nil
		}
		names = append(names, s.Name)
	}
	return 0, fmt.Errorf("sensor %q: name one of %v with --sensor", name, names)
}
