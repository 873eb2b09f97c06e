package assess

import (
	"errors"
	"math"
	"slices"

	"tonepose/multitone/stability"
	"tonepose/solver/assessment"
)

// Lag fits how late the poses of a sensor are, where its truth is a motion. nil:
// there is none, or it does not move enough.
func (a *Result) Lag(sensor string, reach float64) (*assessment.Lag, error) {
	k := a.truth[sensor]
	if k == nil || k.motion == nil {
		return nil, nil
	}
	var samples []assessment.Sample
	for i, s := range a.Samples {
		if a.Rows[i].Sensor == sensor && s.Visit == 0 {
			samples = append(samples, s)
		}
	}
	l, err := assessment.FitLag(samples, trueMotion{k, a.offset}, reach)
	if errors.Is(err, assessment.ErrNoMotion) {
		return nil, nil
	}
	return l, err
}

// Frames looks for windows that are missing from a sensor's series.
func (a *Result) Frames(sensor string) *assessment.Frames {
	return assessment.Dropped(a.times[sensor])
}

// Drift is the Allan deviation of the position error over the longest stretch of
// evenly spaced windows.
type Drift struct {
	Interval float64      `json:"interval_s"` // spacing
	N        int          `json:"n"`          // windows
	Allan    []DriftPoint `json:"allan"`
}

// DriftPoint is the deviation at one averaging time, with 95 % bounds.
type DriftPoint struct {
	Tau       float64    `json:"tau_s"`
	Axes      [3]float64 `json:"axes_m"`
	Position  float64    `json:"position_m"` // root of the sum of squares of the axes
	Low, High [3]float64 `json:"-"`          // of the axes
}

// leastDrift is the fewest windows that show a drift.
const leastDrift = 16

// Drift is nil when a sensor has too few windows in a row.
func (a *Result) Drift(sensor string) (*Drift, error) {
	run, interval := a.evenRun(sensor)
	if len(run) < leastDrift {
		return nil, nil
	}
	d := &Drift{Interval: interval, N: len(run)}
	for axis := range 3 {
		values := make([]float64, len(run))
		for i, at := range run {
			p := assessment.Of(a.Samples[at]).Position
			values[i] = [3]float64{p.X, p.Y, p.Z}[axis]
		}
		s, err := stability.Values(values, interval)
		if err != nil {
			return nil, err
		}
		points, err := stability.Deviations(s, stability.Overlapping, stability.Octaves(s.Len()), 0.95)
		if err != nil {
			return nil, err
		}
		if d.Allan == nil {
			d.Allan = make([]DriftPoint, len(points))
		}
		for i, p := range points {
			to := &d.Allan[i]
			to.Tau, to.Axes[axis], to.Low[axis], to.High[axis] = p.TauS, p.Deviation, p.Lo, p.Hi
			to.Position = math.Hypot(to.Position, p.Deviation)
		}
	}
	return d, nil
}

// evenRun is the longest series of a sensor's samples that follow each other at
// the usual spacing within one visit.
func (a *Result) evenRun(sensor string) (best []int, interval float64) {
	var all []int
	for i := range a.Samples {
		if a.Rows[i].Sensor == sensor {
			all = append(all, i)
		}
	}
	var steps []float64
	for k := 1; k < len(all); k++ {
		steps = append(steps, a.Samples[all[k]].Time-a.Samples[all[k-1]].Time)
	}
	if len(steps) == 0 {
		return nil, 0
	}
	sorted := slices.Clone(steps)
	slices.Sort(sorted)
	interval = sorted[len(sorted)/2]
	start := 0
	for k := 1; k < len(all); k++ {
		follows := math.Abs(steps[k-1]/interval-1) < 0.05 && a.Samples[all[k]].Visit == a.Samples[all[k-1]].Visit
		if !follows {
			start = k
		}
		if k+1-start > len(best) {
			best = all[start : k+1]
		}
	}
	return best, interval
}
