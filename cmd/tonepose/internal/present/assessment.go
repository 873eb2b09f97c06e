package present

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/floats"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment"
)

// AssessmentObject is an assessment in the form of its JSON.
type AssessmentObject struct {
	*assess.Summary
	Registration *Registration `json:"registration,omitempty"`
	Flags        []Flagged     `json:"flags"` // of the poses
}

// Registration is what a registration found.
type Registration struct {
	*assess.Registered
	Frame Pose `json:"frame"` // of the truth's frame in the rig
	Body  Pose `json:"body"`  // of the sensor in the truth's marker
}

// AssessmentOf gives a summary its form.
func AssessmentOf(sum *assess.Summary) AssessmentObject {
	out := AssessmentObject{Summary: sum, Flags: FlagsOf(&sum.Flags)}
	r := sum.Result.Registration
	if r == nil {
		return out
	}
	out.Registration = &Registration{r, PoseOf(r.Frame), PoseOf(r.Body)}
	c := r.Covariance()
	if c == nil {
		return out
	}
	for first, to := range map[int]*Pose{0: &out.Registration.Frame, 6: &out.Registration.Body} {
		if first < c.SymmetricDim() {
			var sigma [6]float64
			for i := range sigma {
				sigma[i] = math.Sqrt(c.At(first+i, first+i))
			}
			*to = to.With(&sigma)
		}
	}
	return out
}

// Assessment prints an assessment.
func Assessment(w io.Writer, sum *assess.Summary) error {
	p := newPage(w)
	words := fmt.Sprintf("%d poses", sum.N)
	if s := sum.Precision; s != nil {
		words += fmt.Sprintf(" at %d stations in %d visits", s.Stations, s.Visits)
	}
	if sum.Flagged > 0 {
		words += fmt.Sprintf(", %d of them flagged", sum.Flagged)
	}
	p.line("%s", words)
	if r := AssessmentOf(sum).Registration; r != nil {
		p.registration(r)
	}
	p.report(&sum.Report)
	p.worst(sum)
	if u := sum.Unflagged; u != nil {
		p.heading("without what is flagged")
		p.brief(u)
	}
	for i := range sum.Sensors {
		p.sensor(&sum.Sensors[i], len(sum.Sensors) > 1)
	}
	p.flags(&sum.Flags, "poses")
	return p.err
}

func (p *page) report(r *assessment.Report) {
	columns := []column{text("error"), number("position", "mm"), number("orientation", "°")}
	c := r.Confidence
	if c != nil {
		level := text(fmt.Sprintf("%g %% interval", 100*c.Level))
		columns = []column{columns[0], columns[1], level, columns[2], level}
	}
	c = cmp.Or(c, new(assessment.Confidence))
	t := tableOf(columns...)
	none := assessment.Interval{Lo: math.NaN(), Hi: math.NaN()}
	for _, row := range []struct {
		name          string
		position      float64
		positionRange assessment.Interval
		rotation      float64
		rotationRange assessment.Interval
	}{
		{"RMS", r.PositionRMS, c.PositionRMS, r.OrientationRMS, c.OrientationRMS},
		{"median", r.PositionMedian, c.PositionMedian, r.OrientationMedian, c.OrientationMedian},
		{"95 %", r.PositionP95, c.PositionP95, r.OrientationP95, c.OrientationP95},
		{"99 %", r.PositionP99, c.PositionP99, r.OrientationP99, c.OrientationP99},
		{"largest", r.PositionMax, c.PositionMax, r.OrientationMax, c.OrientationMax},
		{"predicted RMS", r.PredictedPosition, none, r.PredictedRotation, none},
	} {
		if r.Confidence == nil {
			t.Row(row.name, mm(row.position), degrees(row.rotation))
		} else {
			t.Row(row.name, mm(row.position), rangeOf(row.positionRange, 1e3), degrees(row.rotation), rangeOf(row.rotationRange, 1/deg))
		}
	}
	p.table(t)
	p.axes(r)
	p.consistency(r)
	p.trends(r)
	p.precision(r)
	if d := r.Distances; d != nil {
		scale := ""
		if !math.IsNaN(d.ScalePPM) {
			scale = fmt.Sprintf(", scale %+.0f ppm", d.ScalePPM)
			if r.Confidence != nil {
				scale += inBrackets(r.Confidence.ScalePPM)
			}
		}
		p.line("distances between %d positions: RMS %s mm, 95 %% %s mm, largest %s mm%s", d.Places, mm(d.RMS), mm(d.P95), mm(d.Max), scale)
	}
	if j := r.Jitter; j != nil {
		p.line("jitter from window to window: %s mm, %s°", mm(j.Position), degrees(j.Orientation))
	}
}

func (p *page) axes(r *assessment.Report) {
	p.line("")
	columns := []column{text("axis")}
	for _, unit := range []string{"mm", "°"} {
		columns = append(columns, number("bias", unit), number("sd", unit), number("RMS", unit))
	}
	t := tableOf(columns...)
	for k, name := range []string{"x", "y", "z"} {
		a, o := &r.PositionAxes, &r.OrientationAxes
		t.Row(name, mm(a.Bias[k]), mm(a.SD[k]), mm(a.RMS[k]), degrees(o.Bias[k]), degrees(o.SD[k]), degrees(o.RMS[k]))
	}
	p.table(t)
}

func (p *page) consistency(r *assessment.Report) {
	if r.WithCovariance == 0 {
		p.line("\nno uncertainty is stated")
		return
	}
	mean := Number(r.NormalisedMean, 3)
	if r.Confidence != nil {
		mean += inBrackets(r.Confidence.NormalisedMean)
	}
	p.line("\nsquared error over prediction: mean %s, median %s, expected 1", mean, Number(r.NormalisedMedian, 3))
	var words []string
	for _, c := range r.Coverage {
		words = append(words, fmt.Sprintf("%.0f %%: %.1f %%", 100*c.Level, 100*c.Position))
	}
	p.line("positions inside their ellipsoid of %s", strings.Join(words, ", "))
}

func (p *page) trends(r *assessment.Report) {
	t := r.Trends
	if t == nil {
		return
	}
	var words []string
	if t.ByPlace.Share > 0.1 {
		words = append(words, fmt.Sprintf("%.0f %% grows evenly with the position, up to %s mm/m", 100*t.ByPlace.Share, Number(t.ByPlace.Largest*1e3, 3)))
	}
	if t.ByAttitude.Share > 0.1 {
		o := t.ByAttitude.Offset
		words = append(words, fmt.Sprintf("%.0f %% rotates with the sensor, as an offset of (%s, %s, %s) mm in its frame would", 100*t.ByAttitude.Share, mm(o[0]), mm(o[1]), mm(o[2])))
	}
	if words != nil {
		p.line("of the variance of position errors, %s", strings.Join(words, "; "))
	}
}

func (p *page) precision(r *assessment.Report) {
	s := r.Precision
	if s == nil {
		return
	}
	if math.IsNaN(s.Repeatability.Position) && math.IsNaN(s.Reproducibility.Position) {
		return // nothing was measured twice: the error at a station is all that is known
	}
	p.heading("trueness and precision (ISO 5725)")
	t := tableOf(text("part"), number("position", "mm"), number("orientation", "°"))
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
	p.table(t)
}

// worst names the stations with the largest bias.
func (p *page) worst(sum *assess.Summary) {
	if sum.Precision == nil || len(sum.Precision.ByStation) < 4 {
		return
	}
	list := slices.Clone(sum.Precision.ByStation)
	size := func(s assessment.Station) float64 { return floats.Norm(s.PositionBias[:], 2) }
	slices.SortStableFunc(list, func(a, b assessment.Station) int { return cmp.Compare(size(b), size(a)) })
	var words []string
	for _, s := range list[:3] {
		words = append(words, fmt.Sprintf("%s (%s mm)", sum.Stations[s.Station-1], mm(size(s))))
	}
	p.line("largest bias at stations %s", strings.Join(words, ", "))
}

// brief is a report in three lines.
func (p *page) brief(r *assessment.Report) {
	p.line("%d poses: position RMS %s mm, 95 %% %s mm, largest %s mm; orientation RMS %s°, largest %s°", r.N,
		mm(r.PositionRMS), mm(r.PositionP95), mm(r.PositionMax), degrees(r.OrientationRMS), degrees(r.OrientationMax))
	if r.WithCovariance > 0 {
		p.line("squared error over prediction: mean %s, median %s; %.1f %% of positions inside their 95 %% ellipsoid", Number(r.NormalisedMean, 3), Number(r.NormalisedMedian, 3), 100*r.Coverage95)
	}
}

func (p *page) registration(r *Registration) {
	p.line("truth carried over by a %s transform: shift %v", r.Kind, r.Frame)
	p.sigmas(&r.Frame)
	if r.Mounting.Body != rigid.Identity() {
		p.line("sensor on the marker: shift %v", r.Body)
		p.sigmas(&r.Body)
	}
	if r.Kind == "given" {
		return
	}
	chi2 := ""
	if !math.IsNaN(r.Chi2) {
		chi2 = fmt.Sprintf(", chi-square %.1f of %d", r.Chi2, r.DOF)
	}
	p.line("  fitted to %d poses: RMS %s mm%s; a bias that all share is taken into it", r.Used, mm(r.RMS), chi2)
	if r.Birge > 1.5 {
		p.line("  residuals are %.3g times what the stated uncertainties allow; the sigmas above are so multiplied", r.Birge)
	}
	const most = 10
	for _, o := range r.Outliers[:min(most, len(r.Outliers))] {
		station := ""
		if o.Station != "" {
			station = ", station " + o.Station
		}
		p.line("  outlier: %s at %.4f s%s", o.Sensor, o.Time, station)
	}
	if len(r.Outliers) > most {
		p.line("  … %d outliers in all", len(r.Outliers))
	}
}

// sigmas prints those of a pose, where they are known.
func (p *page) sigmas(of *Pose) {
	if of.SigmaPosition != nil {
		p.line("  sigma (%s) mm, (%s)°", triple(*of.SigmaPosition, 1e-3, 4), triple(*of.SigmaRotation, deg, 4))
	}
}

func (p *page) sensor(s *assess.SensorSummary, several bool) {
	if several {
		p.heading("sensor %s, %d degrees of freedom", s.Sensor, s.Freedom)
		p.brief(s.Report)
	}
	if l := s.Lag; l != nil {
		p.line("lag %+.3f ± %.3f ms behind the truth; without it position RMS %s mm (%s along the path, %s across), orientation RMS %s°", l.Seconds*1e3, l.Sigma*1e3,
			mm(l.PositionRMS), mm(l.Along), mm(l.Across), degrees(l.OrientationRMS))
	}
	if f := s.Frames; f != nil && (f.Dropped > 0 || s.Lag != nil || s.Drift != nil) {
		p.line("%d of %d windows dropped, longest gap %s", f.Dropped, f.Expected, Quantity(f.LongestGap, "s"))
	}
	if d := s.Drift; d != nil {
		at := func(q assess.DriftPoint) string {
			return fmt.Sprintf("%s mm at %s", mm(q.Position), Quantity(q.Tau, "s"))
		}
		first, last := d.Allan[0], d.Allan[len(d.Allan)-1]
		best := slices.MinFunc(d.Allan, func(a, b assess.DriftPoint) int { return cmp.Compare(a.Position, b.Position) })
		words := at(first)
		if best.Tau > first.Tau {
			words += ", least " + at(best)
		}
		if last.Tau > best.Tau {
			words += ", " + at(last)
		}
		p.line("Allan deviation of the position: %s", words)
	}
	if s.Budget != nil {
		p.budget(s)
	}
}

func (p *page) budget(s *assess.SensorSummary) {
	b := s.Budget
	p.heading("uncertainty budget of %s, RMS over %d poses", s.Sensor, b.Poses)
	columns := []column{text("source")}
	for i, axis := range []string{"x", "y", "z", "about x", "about y", "about z"} {
		columns = append(columns, number(axis, []string{"mm", "°"}[i/3]))
	}
	t := tableOf(columns...)
	row := func(name string, v [6]float64) {
		t.Row(name, mm(v[0]), mm(v[1]), mm(v[2]), degrees(v[3]), degrees(v[4]), degrees(v[5]))
	}
	for _, l := range b.Lines {
		row(l.Source, l.Sigma)
	}
	row("combined", b.Combined)
	row(fmt.Sprintf("expanded, k = %.2f", b.Factor), b.Expanded)
	row("observed RMS", b.Observed)
	p.table(t)
}

// rangeOf prints an interval in another unit, nothing where there is none.
func rangeOf(i assessment.Interval, per float64) string {
	if math.IsNaN(i.Lo) {
		return ""
	}
	return Number(i.Lo*per, 3) + " … " + Number(i.Hi*per, 3)
}

func inBrackets(i assessment.Interval) string {
	if math.IsNaN(i.Lo) {
		return ""
	}
	return " (" + rangeOf(i, 1) + ")"
}

// Pivot prints the tip of a pointer.
func Pivot(w io.Writer, t *assess.Pivoted) error {
	p := newPage(w)
	p.line("%s: tip from %d poses, %d outliers left out, RMS %.4f mm, chi-square %.1f of %d", t.Sensor, t.Poses-t.Outliers, t.Outliers, t.RMS*1e3, t.ChiSquare, t.DOF)
	for _, row := range []struct {
		name       string
		at, sigmas [3]float64
	}{{"tip, sensor frame", t.Tip, t.SigmaTip}, {"pivot, rig frame", t.Point, t.SigmaPoint}} {
		text := ""
		for i := range 3 {
			text += fmt.Sprintf("  %9.4f ± %.4f", row.at[i]*1e3, row.sigmas[i]*1e3)
		}
		p.line("%-18s%s mm", row.name, text)
	}
	p.line("tip_m: [%.7g, %.7g, %.7g]", t.Tip[0], t.Tip[1], t.Tip[2])
	return p.err
}
