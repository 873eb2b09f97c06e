package plan

import (
	"context"
	"math"

	"tonepose/solver/prediction"
)

// rateWindows are the windows of the trade between rate and accuracy [s].
var rateWindows = []float64{1e-3, 2e-3, 5e-3, 10e-3, 20e-3, 50e-3, 0.1, 0.2, 0.5, 1, 2}

// trade predicts a sensor's errors for other windows than the planned one.
type trade struct {
	plan      *Plan
	sensor    *Sensor
	predictor *prediction.Predictor
	coarse    prediction.Summary // of the planned window, on the grid of the others
}

// coarseSide is the grid for other windows, where errors do not follow from those
// of the planned one: their ratio to it there is taken for the finer grid.
const coarseSide = 4

// rates adds what other windows give, and the window that gives what is wanted.
func (p *Plan) rates(ctx context.Context, s *Sensor, predictor *prediction.Predictor) (err error) {
	o := &p.Options
	t := &trade{plan: p, sensor: s, predictor: predictor}
	if !predictor.Exact() {
		if t.coarse, err = t.survey(ctx, 1); err != nil {
			return err
		}
		least, err := t.at(ctx, math.Inf(1))
		if err != nil {
			return err
		}
		s.Left = least.PositionP95
	}
	for _, window := range rateWindows {
		if window < p.Window.LeastS*(1-1e-9) {
			continue
		}
		r, err := t.at(ctx, window)
		if err != nil {
			return err
		}
		s.Rates = append(s.Rates, r)
	}
	if o.AccuracyM > 0 {
		window, err := t.needed(ctx)
		if err != nil {
			return err
		}
		window = math.Max(p.Window.LeastS, window)
		s.Wanted = &Wanted{AccuracyM: o.AccuracyM, WindowS: window, UpdateHz: 1 / window, Reached: window <= o.WindowS}
		switch {
		case s.Left >= o.AccuracyM:
			p.caution("sensor %s reaches %.3g mm in 95 %% of the poses with no window: what the calibration leaves alone, and currents that are stated and not measured, is %.3g mm: record the drives, calibrate with more stations or a better reference", s.Sensor, o.AccuracyM*1e3, s.Left*1e3)
		case !s.Wanted.Reached:
			p.caution("sensor %s does not reach %.3g mm in 95 %% of the poses with windows of %.3g ms: it takes %.3g ms", s.Sensor, o.AccuracyM*1e3, o.WindowS*1e3, window*1e3)
		}
	}
	return nil
}

// survey condenses the errors on the coarse grid for so many times the noise.
func (t *trade) survey(ctx context.Context, noise float64) (prediction.Summary, error) {
	spots, err := t.predictor.Scaled(noise).Survey(ctx, prediction.Grid(t.plan.Bench.Volume(), coarseSide), prediction.Orientations(gridOrientations))
	return prediction.Summarise(spots), err
}

// at is what a window gives. Noise falls as its root; so do the errors of an exact
// bench, and those of another but for what its calibration leaves.
func (t *trade) at(ctx context.Context, window float64) (Rate, error) {
	s := t.sensor
	noise := math.Sqrt(t.plan.Options.WindowS / window)
	scale := func(fine, _, _ float64) float64 { return fine * noise }
	other := t.coarse
	if !t.predictor.Exact() {
		var err error
		// Of no noise at all nothing could be inverted.
		if other, err = t.survey(ctx, math.Max(noise, 1e-3)); err != nil {
			return Rate{}, err
		}
		scale = func(fine, coarse, here float64) float64 { return fine * here / coarse }
	}
	return Rate{window, 1 / window,
		scale(s.Position.Median, t.coarse.Position.Median, other.Position.Median), scale(s.Position.P95, t.coarse.Position.P95, other.Position.P95),
		scale(s.Rotation.Median, t.coarse.Rotation.Median, other.Rotation.Median), scale(s.Rotation.P95, t.coarse.Rotation.P95, other.Rotation.P95)}, nil
}

// needed is the window that gives the wanted accuracy; +Inf: none does. Variances
// are nearly a part that falls with the window and one that stays, so each trial
// gives the next.
func (t *trade) needed(ctx context.Context) (float64, error) {
	square := func(x float64) float64 { return x * x }
	wanted, left := square(t.plan.Options.AccuracyM), square(t.sensor.Left)
	if left >= wanted {
		return math.Inf(1), nil
	}
	window, found := t.plan.Options.WindowS, square(t.sensor.Position.P95)
	for range 6 {
		was := window
		window *= (found - left) / (wanted - left)
		if t.predictor.Exact() || !(math.Abs(window/was-1) > 1e-3) {
			break
		}
		r, err := t.at(ctx, window)
		if err != nil {
			return 0, err
		}
		found = square(r.PositionP95)
	}
	return window, nil
}
