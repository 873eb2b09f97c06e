package report

import (
	"fmt"
	"math"
	"path/filepath"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/solver/assessment"
)

// SaveAssessment adds the figures of an assessment to files, those of a run with several
// sensors one set each.
func SaveAssessment(to *files.Batch, run string, sum *assess.Summary, formats []string) error {
	for _, s := range sum.Sensors {
		name, part := s.Sensor, sum.Result.Sensor(s.Sensor)
		prefix, title := "", filepath.Base(run)
		if len(sum.Sensors) > 1 {
			prefix, title = name+"-", title+", "+name
		}
		if err := Save(to, prefix, drawn(part, name, title, s.Drift), formats); err != nil {
			return err
		}
	}
	return nil
}

// drawn is what one sensor's errors look like, by name: path, accuracy,
// vectors, map, histogram, and where there is enough for them quantiles and
// allan.
func drawn(a *assess.Result, sensor, title string, drift *assess.Drift) map[string]*figure.Figure {
	note := fmt.Sprintf("%d poses against known ones", len(a.Samples))
	if r := a.Registration; r != nil {
		note += ", " + r.Kind + " registration"
	}
	e := Emitters(a.Rig)
	all := make([]assessment.Errors, len(a.Samples))
	for i, s := range a.Samples {
		all[i] = assessment.Of(s)
	}
	figures := map[string]*figure.Figure{
		"path":      Path(a, title+": path", note),
		"accuracy":  Accuracy(a, sensor, title+": error against prediction", note),
		"vectors":   vectors(a, all, e, title, note),
		"map":       errorMap(a, all, e, title, note),
		"histogram": Histogram(a, all, title, note),
		"quantiles": Quantiles(all, title, note),
	}
	if drift != nil {
		figures["allan"] = wander(drift, title)
	}
	return figures
}

func vectors(a *assess.Result, all []assessment.Errors, e []figure.Emitter, title, note string) *figure.Figure {
	d := figure.VectorData{Title: title + ": position errors", Note: note, Emitters: e}
	step := max(1, len(a.Samples)/400) // more arrows would hide each other
	for i := 0; i < len(a.Samples); i += step {
		d.Positions = append(d.Positions, a.Samples[i].Truth.Position)
		d.Errors = append(d.Errors, all[i].Position)
		d.Doubtful = append(d.Doubtful, a.Rows[i].Flags != 0)
	}
	return figure.Vectors(d)
}

func errorMap(a *assess.Result, all []assessment.Errors, e []figure.Emitter, title, note string) *figure.Figure {
	d := figure.ErrorMapData{Title: title + ": error against position and orientation", Note: note, Emitters: e, Quantity: "position error", Unit: "m"}
	step := max(1, len(a.Samples)/1500)
	for i := 0; i < len(a.Samples); i += step {
		s := a.Samples[i]
		axis := r3.Vec{Z: 1}
		if s.Axis != nil {
			axis = *s.Axis
		}
		d.Positions = append(d.Positions, s.Truth.Position)
		d.Directions = append(d.Directions, s.Estimate.Rotate(axis))
		d.Size = append(d.Size, r3.Norm(all[i].Position))
	}
	return figure.ErrorMap(d)
}

// Histogram draws the errors along and about the axes of the rig; all are those of the
// samples of a.
func Histogram(a *assess.Result, all []assessment.Errors, title, note string) *figure.Figure {
	d := figure.HistogramData{Title: title + ": errors along and about the rig's axes", Note: note}
	turns := false
	for c, name := range []string{"along x", "along y", "along z", "about x", "about y", "about z"} {
		p := figure.HistogramPanel{Quantity: "error " + name, Unit: []string{"m", "rad"}[c/3]}
		for i, e := range all {
			p.Values = append(p.Values, []float64{e.Position.X, e.Position.Y, e.Position.Z, e.Rotation.X, e.Rotation.Y, e.Rotation.Z}[c])
			sigma := math.NaN()
			if v := a.Samples[i].Covariance; v != nil {
				sigma = math.Sqrt(v[c][c])
			}
			p.Sigma = append(p.Sigma, sigma)
			turns = turns || !math.IsNaN(e.Rotation.X)
		}
		if c < 3 || turns {
			d.Panels = append(d.Panels, p)
		}
	}
	return figure.Histogram(d)
}

// Quantiles draws squared errors over their prediction against chi-square; nil where no
// pose states its uncertainty.
func Quantiles(all []assessment.Errors, title, note string) *figure.Figure {
	place := figure.QuantilePanel{Name: "position error over its sigma", Freedom: 3}
	pose := figure.QuantilePanel{Name: "pose error over its sigma"}
	known := false
	for _, e := range all {
		place.Squares = append(place.Squares, e.PositionSq)
		pose.Squares = append(pose.Squares, e.NormalSq*float64(e.Freedom))
		pose.Freedom = e.Freedom
		known = known || !math.IsNaN(e.PositionSq)
	}
	if !known {
		return nil
	}
	d := figure.QuantileData{Title: title + ": do the stated uncertainties hold?", Note: note, Panels: []figure.QuantilePanel{place}}
	if pose.Freedom > 3 {
		d.Panels = append(d.Panels, pose)
	}
	return figure.Quantiles(d)
}

func wander(d *assess.Drift, title string) *figure.Figure {
	panel := figure.StabilityPanel{Quantity: "Allan deviation", Unit: "m"}
	for axis, name := range []string{"x", "y", "z"} {
		c := figure.Deviation{Name: name}
		for _, p := range d.Allan {
			c.Tau, c.Value = append(c.Tau, p.Tau), append(c.Value, p.Axes[axis])
			c.Low, c.High = append(c.Low, p.Low[axis]), append(c.High, p.High[axis])
		}
		panel.Curves = append(panel.Curves, c)
	}
	return figure.Stability(figure.StabilityData{Title: title + ": how position errors wander",
		Note:   fmt.Sprintf("overlapping Allan deviation of %d errors, %.4g s apart, with 95 %% bounds", d.N, d.Interval),
		Panels: []figure.StabilityPanel{panel}})
}
