package assess

import (
	"errors"
	"math"
	"slices"

	"tonepose/multitone/stability"
	"tonepose/solver/assessment"
)

// lag fits how late the poses of one sensor are, where its truth is a motion. nil:
// there is none, or it does not move enough.
func (a *Result) lag(k *knownPoses, reach float64) (*assessment.Lag, error) {
	if k.motion == nil {
		return nil, nil
	}
	moving := a.part(func(i int) bool { return a.Samples[i].Visit == 0 })
	l, err := assessment.FitLag(moving.Samples, trueMotion{k, a.offset}, reach)
	if errors.Is(err, assessment.ErrNoMotion) {
		return nil, nil
	}
	return l, err
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

// drift is that of one sensor; nil: it has too few windows in a row.
func (a *Result) drift() (*Drift, error) {
	run, interval := evenRun(a.Samples)
	if len(run) < leastDrift {
		return nil, nil
	}
	d := &Drift{Interval: interval, N: len(run)}
	var values [3][]float64
	for _, s := range run {
		e := errorsOf(s)
		for axis := range values {
			values[axis] = append(values[axis], e[axis])
		}
	}
	for axis := range values {
		s, err := stability.Values(values[axis], interval)
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
func evenRun(all []assessment.Sample) (best []assessment.Sample, interval float64) {
	var steps []float64
	for k := 1; k < len(all); k++ {
		steps = append(steps, all[k].Time-all[k-1].Time)
	}
	if len(steps) == 0 {
		return nil, 0
	}
	interval = slices.Sorted(slices.Values(steps))[len(steps)/2]
	start := 0
	for k := 1; k < len(all); k++ {
		if !(math.Abs(steps[k-1]/interval-1) < 0.05) || all[k].Visit != all[k-1].Visit {
			start = k
		}
		if k+1-start > len(best) {
			best = all[start : k+1]
		}
	}
	return best, interval
}
