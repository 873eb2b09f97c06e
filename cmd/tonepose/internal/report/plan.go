package report

import (
	"fmt"

	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/plan"
	"tonepose/cmd/tonepose/internal/rig"
)

// SavePlan adds the figures of a plan to files. The plan must have been made with
// Slices.
func SavePlan(to *files.Batch, p *plan.Plan, formats []string) error {
	figures, err := planFigures(p)
	if err != nil {
		return err
	}
	return Save(to, "", figures, formats)
}

// SaveBench adds the drawing of a bench to files.
func SaveBench(to *files.Batch, r *rig.Rig, formats []string) error {
	return Save(to, "", map[string]*figure.Figure{"bench": figure.Bench(benchData(r))}, formats)
}

func benchData(r *rig.Rig) figure.BenchData {
	return figure.BenchData{Title: "Bench " + r.Name, Note: fmt.Sprintf("Lengths to scale. %d emitters.", len(r.Emitters)), Min: r.WorkingVolume.Min, Max: r.WorkingVolume.Max, Emitters: Emitters(r)}
}

// planFigures draws the bench as planned, for every sensor the predicted position
// and orientation error in three planes, and both against the window's length. An
// optimised bench is drawn before and after, on the same scales.
func planFigures(p *plan.Plan) (map[string]*figure.Figure, error) {
	r, note := p.Bench, planNote(p)
	bench := benchData(r)
	if p.Design != nil {
		planned, err := p.Planned()
		if err != nil {
			return nil, err
		}
		bench.Before, bench.Emitters = bench.Emitters, Emitters(planned)
	}
	out := map[string]*figure.Figure{"bench": figure.Bench(bench)}
	for _, s := range p.Sensors {
		if len(s.Slices) == 3 {
			position, rotation := planSlices(&s, s.Slices, r, note)
			if d := p.Design; d != nil && d.Sensor == s.Sensor && len(d.Slices) == 3 {
				before, beforeRotation := planSlices(&s, d.Slices, r, note)
				before.Title, beforeRotation.Title = before.Title+", before", beforeRotation.Title+", before"
				for _, pair := range [][2]*figure.SlicesData{{&position, &before}, {&rotation, &beforeRotation}} {
					lo, hi := pair[0].Range()
					pair[0].Lowest, pair[0].Highest = pair[1].Range()
					pair[1].Lowest, pair[1].Highest = lo, hi
				}
				out[s.Sensor+"-position-error-before"], out[s.Sensor+"-orientation-error-before"] = figure.Slices(before), figure.Slices(beforeRotation)
			}
			out[s.Sensor+"-position-error"], out[s.Sensor+"-orientation-error"] = figure.Slices(position), figure.Slices(rotation)
		}
		out[s.Sensor+"-accuracy-window"] = planWindows(p, &s, note)
	}
	return out, nil
}

// planSlices gathers a sensor's maps of position and orientation error.
func planSlices(s *plan.Sensor, slices []plan.Slice, r *rig.Rig, note string) (position, rotation figure.SlicesData) {
	base := figure.SlicesData{Note: note, Min: r.WorkingVolume.Min, Max: r.WorkingVolume.Max}
	position, rotation = base, base
	position.Title, position.Quantity, position.Unit = "Predicted position error of "+s.Sensor, "rms position error", "m"
	rotation.Title, rotation.Quantity, rotation.Unit = "Predicted orientation error of "+s.Sensor, "rms orientation error", "rad"
	if s.Wanted != nil {
		position.Wanted = s.Wanted.AccuracyM
	}
	for axis, slice := range slices {
		position.Slices[axis] = figure.Slice{At: slice.At, Columns: slice.Columns, Rows: slice.Rows, Value: slice.PositionM}
		rotation.Slices[axis] = figure.Slice{At: slice.At, Columns: slice.Columns, Rows: slice.Rows, Value: slice.RotationRad}
	}
	return position, rotation
}

func planWindows(p *plan.Plan, s *plan.Sensor, note string) *figure.Figure {
	w := figure.WindowsData{Title: "Accuracy of " + s.Sensor + " against window length", Note: note, Planned: p.Window.LengthS,
		MedianName: "median over the working volume", OtherName: "95 % of the poses are better"}
	if s.Wanted != nil {
		w.Wanted = s.Wanted.AccuracyM
	}
	for _, rate := range s.Rates {
		w.Window = append(w.Window, rate.WindowS)
		w.PositionMedian = append(w.PositionMedian, rate.PositionMedian)
		w.PositionP95 = append(w.PositionP95, rate.PositionP95)
		w.RotationMedian = append(w.RotationMedian, rate.RotationMedian)
		w.RotationP95 = append(w.RotationP95, rate.RotationP95)
	}
	return figure.Windows(w)
}

// planNote is the small print of a plan's figures.
func planNote(p *plan.Plan) string {
	o := &p.Options
	note := fmt.Sprintf("%s: %s window of %.4g ms, noise %.3g nV/√Hz at the amplifiers' inputs", p.Rig, p.Window.Taper, p.Window.LengthS*1e3, o.NoiseV*1e9)
	if o.Bits > 0 {
		note += fmt.Sprintf(", %d-bit samples", o.Bits)
	}
	return note + ". Noise only: calibration, metal and motion add to it."
}
