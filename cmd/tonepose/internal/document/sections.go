package document

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/solver/assessment"
)

// named is a title, with the sensor's name where there are several.
func (c *chapter) named(title string, s *SensorRun) string {
	if len(c.run.Sensors) > 1 {
		title += ": " + s.Name
	}
	return title
}

// pictures are the bench and, for every sensor, its path and what its poses are worth.
func (c *chapter) pictures() error {
	run := c.run
	e, volume := report.Emitters(run.Rig), run.Rig.WorkingVolume
	bench := figure.Bench(figure.BenchData{Title: "Bench and working volume", Min: volume.Min, Max: volume.Max, Emitters: e,
		Note: fmt.Sprintf("%s; lengths to scale, %d emitters, %s", run.Rig.Name, len(e), box(volume.Min, volume.Max))})
	for _, s := range run.Sensors {
		path := figure.PathData{Title: c.named("Path of the sensor", s), Emitters: e, Note: fmt.Sprintf("%d poses from %s to %s s", s.Poses, present.Number(max(0, run.Start), 4), present.Number(run.End, 4))}
		drawn := report.Poses{Sensor: s.Name}
		for _, p := range s.Series.all() {
			drawn.Add(&p.Pose, p.estimated, p.state)
		}
		path.Estimated = []figure.Track{drawn.Track()}
		if run.Assessment != nil {
			known := run.Assessment.Result.Sensor(s.Name)
			for _, sample := range known.Samples {
				if len(path.True) == 0 {
					path.True = []figure.Track{{Name: s.Name}}
				}
				path.True[0].Points = append(path.True[0].Points, sample.Truth.Position)
			}
		}
		if s.Poses > 0 {
			if err := c.show(figure.Path(path), true); err != nil {
				return err
			}
		}
		if run.Assessment != nil && len(path.True) > 0 {
			f := report.Accuracy(run.Assessment.Result, s.Name, c.named("Error against prediction", s), "predicted: one sigma, rms length; ratio: over all degrees of freedom")
			if err := c.show(f, true); err != nil {
				return err
			}
		}
		if err := c.show(drawn.Quality(c.named("What the poses are worth", s)), true); err != nil {
			return err
		}
	}
	return c.show(bench, true)
}

func box(lo, hi r3.Vec) string {
	return fmt.Sprintf("working volume %.0f × %.0f × %.0f mm", 1e3*(hi.X-lo.X), 1e3*(hi.Y-lo.Y), 1e3*(hi.Z-lo.Z))
}

// tones lists level and noise of every tone on every coil.
func (c *chapter) tones() error {
	for _, s := range c.run.Sensors {
		if s.Tones == nil {
			continue
		}
		channels := c.channels(s)
		g := &grid{Head: []string{"tone", "measured"}}
		for _, ch := range channels {
			g.Head = append(g.Head, ch+" level", ch+" noise")
		}
		g.Head = append(g.Head, "least, all coils")
		for e, emitter := range c.run.Rig.Emitters {
			hz := "–"
			if s.Tones.Hz[e] > 0 {
				hz = fmt.Sprintf("%.3f Hz", s.Tones.Hz[e])
			}
			row := words(emitter.Name, hz)
			for k := range channels {
				i := e*len(channels) + k
				row = append(row, cell{Dark: quantity(s.Tones.Amplitude[i].mean(), "V")}, cell{Dark: quantity(s.Tones.Noise[i].rms(), "V")})
			}
			last := cell{Dark: "–"}
			if clear := s.Tones.Clear[e]; !math.IsInf(clear, 0) {
				last.Dark = present.Number(clear, 3) + " σ"
				if clear < clearSigmas {
					last.Class = "alarm"
				}
			}
			g.Rows = append(g.Rows, append(row, last))
		}
		c.list(c.named("Tones and their noise", s), fmt.Sprintf("At the converter, peak, means over the run; noise: one standard deviation of a component in windows of %s; last: the least level of all coils together over their noise.", quantity(c.run.Window, "s")), g)
	}
	return nil
}

func (c *chapter) channels(s *SensorRun) (names []string) {
	for i := range c.run.Rig.Sensors {
		if c.run.Rig.Sensors[i].Name == s.Name {
			for _, coil := range c.run.Rig.Sensors[i].Coils {
				names = append(names, c.run.Rig.Channels[coil.Channel].Name)
			}
		}
	}
	return names
}

// couplings draws the couplings of the middle row and lists what does not fit.
func (c *chapter) couplings() error {
	for _, s := range c.run.Sensors {
		k := s.Coupling
		if k == nil {
			continue
		}
		if err := c.show(figure.Matrix(figure.MatrixData{Title: c.named("Couplings", s), Note: fmt.Sprintf("in the middle of the run, at %s s", present.Number(k.Time, 4)),
			Rows: k.Emitters, Columns: k.Channels, Value: k.Middle, Quantity: "coupling", Unit: "H"}), false); err != nil {
			return err
		}
		g := &grid{Head: []string{"emitter"}}
		for _, ch := range k.Channels {
			g.Head = append(g.Head, ch+" mean", ch+" rms", ch+" quadr.")
		}
		for e, name := range k.Emitters {
			row := words(name)
			for i := e * len(k.Channels); i < (e+1)*len(k.Channels); i++ {
				for j, v := range []float64{k.Residual[i].mean(), k.Residual[i].rms(), k.Quadrature[i].rms()} {
					f := cell{Dark: strings.Replace(present.Number(v, 2), "-", "−", 1)}
					if j == 1 && v > 2 {
						f.Class = "alarm"
					}
					row = append(row, f)
				}
			}
			g.Rows = append(g.Rows, row)
		}
		note := "Residuals in σ: coupling less that of the field model at the solved pose; mean and rms over the run, 1 is expected at most. Quadrature in σ, rms: eddy currents, motion and delays."
		if k.model == nil {
			note = "Without residuals: the calibration's files are not where the rig says. " + note
		}
		c.list(c.named("Do the couplings fit?", s), note, g)
	}
	return nil
}

// mostPoses is how many poses a document lists of one sensor.
const mostPoses = 40

// poses lists poses with their uncertainty: all of few, of many some at even steps.
func (c *chapter) poses() error {
	for _, s := range c.run.Sensors {
		all := s.Series.all()
		step := 1
		note := "Positions of the sensor's origin and turns about the axes of the rig (rotation vector)."
		if len(all) > mostPoses {
			step = (len(all) + mostPoses/2 - 1) / (mostPoses / 2)
			note += fmt.Sprintf(" Every %s row of %d; the table of poses has all.", ordinal(step*max(1, s.Series.points.every)), s.Rows)
		}
		g := &grid{Head: []string{"time (s)", "x (mm)", "y (mm)", "z (mm)", "σ position", "turn x (°)", "y (°)", "z (°)", "σ turn", "χ²", "flags"}}
		for i := 0; i < len(all); i += step {
			g.Rows = append(g.Rows, poseRow(all[i]))
		}
		c.list(c.named("Poses", s), note, g)
	}
	return nil
}

func ordinal(n int) string {
	suffix := "th"
	if n/10%10 != 1 {
		switch n % 10 {
		case 1:
			suffix = "st"
		case 2:
			suffix = "nd"
		case 3:
			suffix = "rd"
		}
	}
	return fmt.Sprint(n) + suffix
}

func poseRow(p *point) []cell {
	row := words(fmt.Sprintf("%.3f", p.Time))
	if p.Estimate == nil {
		row = append(row, words("–", "–", "–", "–", "–", "–", "–", "–", "–")...)
	} else {
		sigma := [6]float64{}
		for i := range sigma {
			sigma[i] = math.NaN()
			if p.Covariance != nil {
				sigma[i] = p.Covariance.Sigma(i)
			}
		}
		x, turn := p.Estimate.Position, rotation(p.Estimate)
		for i, v := range []float64{x.X, x.Y, x.Z} {
			row = append(row, certain(1e3*v, 1e3*sigma[i]))
		}
		row = append(row, cell{Dark: quantity(p.sigma, "m")})
		for i, v := range turn {
			row = append(row, certain(v*180/math.Pi, sigma[3+i]*180/math.Pi))
		}
		row = append(row, cell{Dark: degrees(p.turn)}, cell{Dark: fmt.Sprintf("%s of %d", present.Number(p.Chi2, 3), p.DOF)})
	}
	flags := cell{Dark: strings.ReplaceAll(p.Flags.String(), ";", ", "), Class: "alarm"}
	if p.Flags == 0 {
		flags = cell{}
		if p.state == verdict.InDoubt {
			flags.Dark = "in doubt: χ²"
		}
	}
	return append(row, flags)
}

// certain splits a number: it ends at sigma's second digit, and the digits that sigma
// covers are pale.
func certain(v, sigma float64) cell {
	if !(sigma > 0) || math.IsInf(sigma, 0) {
		return cell{Pale: strings.Replace(fmt.Sprintf("%.3f", v), "-", "−", 1)}
	}
	first := int(math.Floor(math.Log10(sigma) + 1e-9)) // place of sigma's first digit
	decimals := min(max(0, 1-first), 9)
	text := strings.Replace(fmt.Sprintf("%.*f", decimals, v), "-", "−", 1)
	// From its end: the places 10^-decimals up to sigma's first digit, and the point where it lies between.
	pale := first + decimals + 1
	if first >= 0 && decimals > 0 {
		pale++
	}
	runes := []rune(text)
	cut := max(0, len(runes)-max(0, pale))
	return cell{Dark: string(runes[:cut]), Pale: string(runes[cut:])}
}

// assessment gives the errors against the truth.
func (c *chapter) assessment() error {
	sum := c.run.Assessment
	if sum == nil {
		return nil
	}
	g := &grid{Head: []string{"error", "position", "orientation"}}
	row := func(name string, m, rad float64) {
		g.Rows = append(g.Rows, words(name, quantity(m, "m"), degrees(rad)))
	}
	r := &sum.Report
	row("rms", r.PositionRMS, r.OrientationRMS)
	row("median", r.PositionMedian, r.OrientationMedian)
	row("95 % are below", r.PositionP95, r.OrientationP95)
	row("largest", r.PositionMax, r.OrientationMax)
	row("predicted rms", r.PredictedPosition, r.PredictedRotation)
	if u := sum.Unflagged; u != nil {
		row("rms without what is flagged", u.PositionRMS, u.OrientationRMS)
	}
	note := fmt.Sprintf("%d poses against known ones; squared error over prediction %s in the mean, 1 is expected", r.N, present.Number(r.NormalisedMean, 3))
	for _, cover := range r.Coverage {
		note += fmt.Sprintf("; inside the ellipsoid of %s %%: %s %%", present.Number(100*cover.Level, 3), present.Number(100*cover.Position, 3))
	}
	c.list("Assessment against the truth", note+".", g)
	return c.assessed(sum)
}

func (c *chapter) assessed(sum *assess.Summary) error {
	for _, s := range c.run.Sensors {
		part := sum.Result.Sensor(s.Name)
		if len(part.Samples) == 0 {
			continue
		}
		all := make([]assessment.Errors, len(part.Samples))
		for i, sample := range part.Samples {
			all[i] = assessment.Of(sample)
		}
		for _, f := range []*figure.Figure{report.Histogram(part, all, "", ""), report.Quantiles(all, "", "")} {
			if f != nil {
				f.Title = c.named(strings.ToUpper(f.Title[2:3])+f.Title[3:], s)
			}
			if err := c.show(f, true); err != nil {
				return err
			}
		}
	}
	return nil
}

// flags lists what was flagged, what it means and what to do, and what was found.
func (c *chapter) flags() error {
	run := c.run
	g := &grid{Head: []string{"flag", "rows", "means", "next step"}, Words: true, Class: "flags"}
	add := func(name string, rows int) {
		g.Rows = append(g.Rows, words(name, fmt.Sprintf("%d of %d", rows, run.Rows), handbook.Meaning(name), handbook.Next(name)))
	}
	for name, rows := range run.Flags.All {
		add(name, rows)
	}
	if run.InDoubt > 0 {
		add(verdict.InDoubt.String(), run.InDoubt)
	}
	if len(g.Rows) == 0 {
		g.Rows = append(g.Rows, words("none", fmt.Sprintf("0 of %d", run.Rows), "nothing is doubtful about any row", "–"))
		g.Class = ""
	}
	c.list("Flags", "", g)
	if len(run.Findings) > 0 {
		found := &grid{Head: []string{"finding", "rows"}, Words: true}
		const most = 8
		for _, f := range run.Findings[:min(most, len(run.Findings))] {
			found.Rows = append(found.Rows, []cell{{Dark: f.Words}, {Dark: fmt.Sprintf("%d of %d", f.Rows, run.Rows)}})
		}
		note := ""
		if n := len(run.Findings) - most; n > 0 {
			note = fmt.Sprintf("The %d most frequent of %d.", most, len(run.Findings))
		}
		found.Class = "findings"
		c.list("What was found wrong", note, found)
	}
	return nil
}

// facts is what there is to know about the numbers.
func (c *chapter) facts() error {
	run := c.run
	g := &grid{Words: true, Head: []string{"about", "what"}}
	fact := func(name, text string) { g.Rows = append(g.Rows, words(name, text)) }
	fact("averaging", fmt.Sprintf("%d rows, windows of %s in the median", run.Rows, quantity(run.Window, "s")))
	for _, s := range run.Sensors {
		if s.Tones == nil {
			continue
		}
		var ppm []float64
		for e, emitter := range run.Rig.Emitters {
			if hz := s.Tones.Hz[e]; hz > 0 && emitter.ToneHz > 0 {
				ppm = append(ppm, (hz/emitter.ToneHz-1)*1e6)
			}
		}
		if len(ppm) > 0 {
			fact("clock", fmt.Sprintf("tones off by %s to %s ppm from what the rig says, in the last window", present.Number(slices.Min(ppm), 4), present.Number(slices.Max(ppm), 4)))
		}
		break
	}
	if len(run.Latency) > 0 {
		fact("live", fmt.Sprintf("latency %s in the median, 99 %% under %s; %d windows skipped", quantity(middle(run.Latency), "s"), quantity(quantile(run.Latency, 0.99), "s"), run.Skipped))
	}
	for _, s := range run.Sensors {
		if at := s.Series.mostAt; tables.IsNumber(at) {
			fact("worst row", fmt.Sprintf("%s at %s s: estimated error %s", s.Name, present.Number(at, 4), quantity(s.Series.mostEstimated, "m")))
		}
	}
	fact("digits", "a number ends at the second digit of its sigma; pale digits are those that sigma covers")
	if n := flagCount(run, verdict.Ambiguous); n > 0 {
		fact("caution", fmt.Sprintf("a second pose fits %d rows as well: the table integrity has it", n))
	}
	c.list("What there is to know about the numbers", "", g)
	return nil
}

func flagCount(run *Run, f verdict.Flags) int {
	for name, rows := range run.Flags.All {
		if name == f.String() {
			return rows
		}
	}
	return 0
}

// calibration says where a calibrated rig has its values from.
func (c *chapter) calibration() error {
	k := c.run.Rig.Calibration
	if k == nil {
		c.list("Calibration", "", &grid{Words: true, Head: []string{"about", "what"}, Rows: [][]cell{words("none", "the rig was never calibrated: its values are those of its maker")}})
		return nil
	}
	g := &grid{Words: true, Head: []string{"about", "what"}}
	g.Rows = append(g.Rows, words("date", instant(k.Date)), words("parameters", fmt.Sprintf("%d were adjusted", len(k.Parameters))))
	if k.ReferenceSHA256 != "" {
		g.Rows = append(g.Rows, words("reference", "sha256 "+k.ReferenceSHA256))
	}
	if k.Covariance.File != "" {
		g.Rows = append(g.Rows, words("covariance", k.Covariance.File+", sha256 "+k.Covariance.SHA256))
	}
	if k.Correction.File != "" {
		g.Rows = append(g.Rows, words("map of metal", k.Correction.File+", sha256 "+k.Correction.SHA256))
	}
	c.list("Calibration", "", g)
	return nil
}

// provenance says where everything comes from.
func (c *chapter) provenance(d *Document) {
	m := &c.run.Metadata
	g := &grid{Words: true, Head: []string{"about", "what"}, Class: "provenance"}
	add := func(name, text string) {
		if text != "" {
			g.Rows = append(g.Rows, words(name, text))
		}
	}
	add("made by", m.Tool)
	if m.Recording.Size > 0 {
		add("recording", fmt.Sprintf("%s, %d bytes", m.Recording.Name, m.Recording.Size))
	} else {
		add("stream", m.Recording.Name)
	}
	add("its sha256", m.Recording.SHA256)
	add("first sample", instant(m.Recording.Start))
	add("rig", c.run.Rig.Name)
	add("its sha256", c.run.Rig.SHA256)
	if d.Command != nil {
		add("command line", d.Command(*m))
	}
	var options []string
	for name, value := range m.Options {
		if value != "" {
			options = append(options, name+" "+value)
		}
	}
	slices.Sort(options)
	add("all options", strings.Join(options, "; "))
	for _, from := range [][2]string{{"truth", c.run.Truth}, {"plan", c.run.Plan}, {"calibration", c.run.Calibration}} {
		if named(from[1]) {
			add(from[0], filepath.Base(from[1]))
		}
	}
	if r := c.run.Assessment; r != nil && r.Result.Registration != nil {
		add("registration", r.Result.Registration.Kind)
	}
	c.list("Provenance", "", g)
}
