package cli

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/terminal"
	"tonepose/solver/assessment"
)

const (
	perMM  = 1e3
	perDeg = 180 / math.Pi
)

func (sum *assessSummary) print(s Streams, a *assess.Result) error {
	p := printer{s, terminal.PaintFor(s.Out)}
	p.line("%d poses%s%s", sum.N, ofStations(&sum.Report), flaggedWords(sum))
	if r := sum.Registration; r != nil {
		p.registration(r)
	}
	if err := p.report(&sum.Report); err != nil {
		return err
	}
	p.worst(sum)
	if u := sum.Unflagged; u != nil {
		p.heading("without what is flagged")
		p.brief(u)
	}
	for i := range sum.Sensors {
		if err := p.sensor(&sum.Sensors[i], len(sum.Sensors) > 1); err != nil {
			return err
		}
	}
	return nil
}

type printer struct {
	s     Streams
	paint terminal.Paint
}

func (p printer) line(format string, args ...any) { fmt.Fprintf(p.s.Out, format+"\n", args...) }

func (p printer) heading(format string, args ...any) {
	p.line("\n%s", p.paint.Bold(fmt.Sprintf(format, args...)))
}

func ofStations(r *assessment.Report) string {
	if r.Precision == nil {
		return ""
	}
	return fmt.Sprintf(" at %d stations in %d visits", r.Precision.Stations, r.Precision.Visits)
}

func flaggedWords(sum *assessSummary) string {
	if sum.Flagged == 0 {
		return ""
	}
	return fmt.Sprintf(", %d of them flagged", sum.Flagged)
}

func (p printer) report(r *assessment.Report) error {
	columns := []terminal.Column{{Name: "error", Left: true}, {Name: "position", Unit: "mm"}, {Name: "orientation", Unit: "°"}}
	c := r.Confidence
	if c != nil {
		level := fmt.Sprintf("%g %% interval", 100*c.Level)
		columns = []terminal.Column{columns[0], columns[1], {Name: level, Left: true}, columns[2], {Name: level, Left: true}}
	} else {
		c = new(assessment.Confidence)
	}
	t := terminal.NewTable(columns...)
	none := assessment.Interval{Lo: math.NaN(), Hi: math.NaN()}
	for _, row := range []struct {
		name       string
		place      float64
		placeRange assessment.Interval
		turn       float64
		turnRange  assessment.Interval
	}{
		{"RMS", r.PositionRMS, c.PositionRMS, r.OrientationRMS, c.OrientationRMS},
		{"median", r.PositionMedian, c.PositionMedian, r.OrientationMedian, c.OrientationMedian},
		{"95 %", r.PositionP95, c.PositionP95, r.OrientationP95, c.OrientationP95},
		{"99 %", r.PositionP99, c.PositionP99, r.OrientationP99, c.OrientationP99},
		{"largest", r.PositionMax, c.PositionMax, r.OrientationMax, c.OrientationMax},
		{"predicted RMS", r.PredictedPosition, none, r.PredictedRotation, none},
	} {
		if r.Confidence == nil {
			t.Row(row.name, mm(row.place), degrees(row.turn))
		} else {
			t.Row(row.name, mm(row.place), rangeOf(row.placeRange, perMM), degrees(row.turn), rangeOf(row.turnRange, perDeg))
		}
	}
	if err := t.Write(p.s.Out, p.paint); err != nil {
		return err
	}
	if err := p.axes(r); err != nil {
		return err
	}
	p.honesty(r)
	p.trends(r)
	if err := p.precision(r); err != nil {
		return err
	}
	if d := r.Distances; d != nil {
		p.line("distances between %d places: RMS %s mm, 95 %% %s mm, largest %s mm, scale %+.0f ppm%s", d.Places, mm(d.RMS), mm(d.P95), mm(d.Max), d.ScalePPM, confidenceOf(r, func(c *assessment.Confidence) assessment.Interval { return c.ScalePPM }, 3))
	}
	if j := r.Jitter; j != nil {
		p.line("jitter from window to window: %s mm, %s°", mm(j.Position), degrees(j.Orientation))
	}
	return nil
}

func (p printer) axes(r *assessment.Report) error {
	p.line("")
	t := terminal.NewTable(terminal.Column{Name: "axis", Left: true}, terminal.Column{Name: "bias", Unit: "mm"}, terminal.Column{Name: "sd", Unit: "mm"}, terminal.Column{Name: "RMS", Unit: "mm"},
		terminal.Column{Name: "bias", Unit: "°"}, terminal.Column{Name: "sd", Unit: "°"}, terminal.Column{Name: "RMS", Unit: "°"})
	for k, name := range []string{"x", "y", "z"} {
		a, o := &r.PositionAxes, &r.OrientationAxes
		t.Row(name, mm(a.Bias[k]), mm(a.SD[k]), mm(a.RMS[k]), degrees(o.Bias[k]), degrees(o.SD[k]), degrees(o.RMS[k]))
	}
	return t.Write(p.s.Out, p.paint)
}

func (p printer) honesty(r *assessment.Report) {
	if r.WithCovariance == 0 {
		p.line("\nno uncertainty is stated")
		return
	}
	p.line("\nsquared error over prediction: mean %s%s, median %s, 1 when honest", present.Number(r.NormalisedMean, 3),
		confidenceOf(r, func(c *assessment.Confidence) assessment.Interval { return c.NormalisedMean }, 3), present.Number(r.NormalisedMedian, 3))
	var words []string
	for _, c := range r.Coverage {
		words = append(words, fmt.Sprintf("%.0f %%: %.1f %%", 100*c.Level, 100*c.Position))
	}
	p.line("positions inside their ellipsoid of %s", strings.Join(words, ", "))
}

func (p printer) trends(r *assessment.Report) {
	t := r.Trends
	if t == nil {
		return
	}
	var words []string
	if t.ByPlace.Share > 0.1 {
		words = append(words, fmt.Sprintf("%.0f %% grows evenly with the place, up to %s mm/m", 100*t.ByPlace.Share, present.Number(t.ByPlace.Largest*perMM, 3)))
	}
	if t.ByAttitude.Share > 0.1 {
		o := t.ByAttitude.Offset
		words = append(words, fmt.Sprintf("%.0f %% turns with the sensor, as an offset of (%s, %s, %s) mm in its frame would", 100*t.ByAttitude.Share, mm(o[0]), mm(o[1]), mm(o[2])))
	}
	if words != nil {
		p.line("of the variance of position errors, %s", strings.Join(words, "; "))
	}
}

func (p printer) precision(r *assessment.Report) error {
	s := r.Precision
	if s == nil {
		return nil
	}
	if math.IsNaN(s.Repeatability.Position) && math.IsNaN(s.Reproducibility.Position) {
		return nil // nothing was measured twice: the error at a station is all that is known
	}
	p.heading("trueness and precision (ISO 5725)")
	t := terminal.NewTable(terminal.Column{Name: "part", Left: true}, terminal.Column{Name: "position", Unit: "mm"}, terminal.Column{Name: "orientation", Unit: "°"})
	for _, row := range []struct {
		name string
		v    assessment.Split
	}{
		{"bias by station, RMS", s.Trueness},
		{"repeatability s_r, windows of a visit", s.Repeatability},
		{"between visits s_L", s.BetweenVisits},
		{"reproducibility s_R of the bench", s.Reproducibility},
	} {
		if !math.IsNaN(row.v.Position) {
			t.Row(row.name, mm(row.v.Position), degrees(row.v.Orientation))
		}
	}
	return t.Write(p.s.Out, p.paint)
}

// worst names the stations with the largest bias.
func (p printer) worst(sum *assessSummary) {
	if sum.Precision == nil || len(sum.Precision.ByStation) < 4 {
		return
	}
	list := slices.Clone(sum.Precision.ByStation)
	size := func(s assessment.Station) float64 {
		return math.Hypot(math.Hypot(s.PositionBias[0], s.PositionBias[1]), s.PositionBias[2])
	}
	slices.SortStableFunc(list, func(a, b assessment.Station) int { return cmp.Compare(size(b), size(a)) })
	var words []string
	for _, s := range list[:3] {
		words = append(words, fmt.Sprintf("%s (%s mm)", sum.Stations[s.Station-1], mm(size(s))))
	}
	p.line("largest bias at stations %s", strings.Join(words, ", "))
}

// brief is a report in three lines.
func (p printer) brief(r *assessment.Report) {
	p.line("%d poses: position RMS %s mm, 95 %% %s mm, largest %s mm; orientation RMS %s°, largest %s°", r.N,
		mm(r.PositionRMS), mm(r.PositionP95), mm(r.PositionMax), degrees(r.OrientationRMS), degrees(r.OrientationMax))
	if r.WithCovariance > 0 {
		p.line("squared error over prediction: mean %s, median %s; %.1f %% of positions inside their 95 %% ellipsoid", present.Number(r.NormalisedMean, 3), present.Number(r.NormalisedMedian, 3), 100*r.Coverage95)
	}
}

func (p printer) registration(r *registrationSummary) {
	f, b := r.Frame, r.Body
	p.line("truth carried over by a %s transform: shift (%.3f, %.3f, %.3f) mm, quaternion (%.6f, %.6f, %.6f, %.6f)", r.Kind, f.X*perMM, f.Y*perMM, f.Z*perMM, f.QW, f.QX, f.QY, f.QZ)
	if r.SigmaFrame != ([6]float64{}) {
		p.line("  sigma (%.4f, %.4f, %.4f) mm, (%.4f, %.4f, %.4f)°", r.SigmaFrame[0]*perMM, r.SigmaFrame[1]*perMM, r.SigmaFrame[2]*perMM, r.SigmaFrame[3]*perDeg, r.SigmaFrame[4]*perDeg, r.SigmaFrame[5]*perDeg)
	}
	if b.X != 0 || b.Y != 0 || b.Z != 0 || b.QX != 0 || b.QY != 0 || b.QZ != 0 {
		p.line("sensor on the marker: shift (%.3f, %.3f, %.3f) mm, quaternion (%.6f, %.6f, %.6f, %.6f)", b.X*perMM, b.Y*perMM, b.Z*perMM, b.QW, b.QX, b.QY, b.QZ)
		if r.SigmaBody != ([6]float64{}) {
			p.line("  sigma (%.4f, %.4f, %.4f) mm, (%.4f, %.4f, %.4f)°", r.SigmaBody[0]*perMM, r.SigmaBody[1]*perMM, r.SigmaBody[2]*perMM, r.SigmaBody[3]*perDeg, r.SigmaBody[4]*perDeg, r.SigmaBody[5]*perDeg)
		}
	}
	if r.Kind == "given" {
		return
	}
	p.line("  fitted to %d poses: RMS %s mm%s; a bias that all share is taken into it", r.Used, mm(r.RMS), chiWords(r.ChiSquare, r.DOF))
	if r.Birge > 1.5 {
		p.line("  residuals are %.3g times what the stated uncertainties allow; the sigmas above are so multiplied", r.Birge)
	}
	for i, o := range r.Outliers {
		if i == 10 {
			p.line("  … %d outliers in all", len(r.Outliers))
			break
		}
		p.line("  outlier: %s at %.4f s%s", o.Sensor, o.Time, stationWords(o.Station))
	}
}

func chiWords(chi2 float64, dof int) string {
	if math.IsNaN(chi2) {
		return ""
	}
	return fmt.Sprintf(", chi-square %.1f of %d", chi2, dof)
}

func stationWords(label string) string {
	if label == "" {
		return ""
	}
	return ", station " + label
}

func (p printer) sensor(s *sensorSummary, several bool) error {
	if several {
		p.heading("sensor %s, %d degrees of freedom", s.Sensor, s.Freedom)
		p.brief(s.Report)
	}
	if l := s.Lag; l != nil {
		p.line("lag %+.3f ± %.3f ms behind the truth; without it position RMS %s mm (%s along the path, %s across), orientation RMS %s°", l.Seconds*1e3, l.Sigma*1e3,
			mm(l.PositionRMS), mm(l.Along), mm(l.Across), degrees(l.OrientationRMS))
	}
	if f := s.Frames; f != nil && (f.Dropped > 0 || s.Lag != nil || s.Drift != nil) {
		p.line("%d of %d windows dropped, longest gap %s", f.Dropped, f.Expected, present.Quantity(f.LongestGap, "s"))
	}
	if d := s.Drift; d != nil {
		best := d.Points[0]
		for _, q := range d.Points {
			if q.Position < best.Position {
				best = q
			}
		}
		first, last := d.Points[0], d.Points[len(d.Points)-1]
		words := fmt.Sprintf("%s mm at %s", mm(first.Position), present.Quantity(first.Tau, "s"))
		if best.Tau > first.Tau {
			words += fmt.Sprintf(", least %s mm at %s", mm(best.Position), present.Quantity(best.Tau, "s"))
		}
		if last.Tau > best.Tau {
			words += fmt.Sprintf(", %s mm at %s", mm(last.Position), present.Quantity(last.Tau, "s"))
		}
		p.line("Allan deviation of the position: %s", words)
	}
	if s.Budget != nil {
		return p.budget(s)
	}
	return nil
}

func (p printer) budget(s *sensorSummary) error {
	b := s.Budget
	p.heading("uncertainty budget of %s, RMS over %d poses", s.Sensor, b.Poses)
	columns := []terminal.Column{{Name: "source", Left: true}}
	for _, axis := range []string{"x", "y", "z"} {
		columns = append(columns, terminal.Column{Name: axis, Unit: "mm"})
	}
	for _, axis := range []string{"about x", "about y", "about z"} {
		columns = append(columns, terminal.Column{Name: axis, Unit: "°"})
	}
	t := terminal.NewTable(columns...)
	row := func(name string, v [6]float64) {
		t.Row(name, mm(v[0]), mm(v[1]), mm(v[2]), degrees(v[3]), degrees(v[4]), degrees(v[5]))
	}
	for _, l := range b.Lines {
		row(l.Source, l.Sigma)
	}
	row("combined", b.Sigma)
	row(fmt.Sprintf("expanded, k = %.2f", b.Factor), b.Expanded)
	row("observed RMS", b.Observed)
	return t.Write(p.s.Out, p.paint)
}

func mm(v float64) string      { return present.Number(v*perMM, 3) }
func degrees(v float64) string { return present.Number(v*perDeg, 3) }

func rangeOf(i assessment.Interval, per float64) string {
	if math.IsNaN(i.Lo) {
		return ""
	}
	return present.Number(i.Lo*per, 3) + " … " + present.Number(i.Hi*per, 3)
}

func confidenceOf(r *assessment.Report, of func(*assessment.Confidence) assessment.Interval, digits int) string {
	if r.Confidence == nil {
		return ""
	}
	i := of(r.Confidence)
	if math.IsNaN(i.Lo) {
		return ""
	}
	return fmt.Sprintf(" (%s … %s)", present.Number(i.Lo, digits), present.Number(i.Hi, digits))
}
