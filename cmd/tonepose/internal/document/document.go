package document

import (
	"bytes"
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"path/filepath"
	"slices"
	"time"

	"tonepose/cmd/tonepose/internal/caution"
	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/tables"
)

//go:embed document.html
var documentHTML string

//go:embed document.css
var documentCSS string

var documentTemplate = template.Must(template.New("document").Parse(documentHTML))

// Document is what a report holds beside its runs.
type Document struct {
	Tool    string                       // version that writes it
	Command func(tables.Metadata) string // the command line that made a table
}

// page is the document as its template shows it.
type page struct {
	Title, Tool string
	Style       template.CSS
	Overview    *grid     // of several runs or of a data set, worst first
	Notes       []string  // of a data set: what is not in it, and what to run about one of these
	Sections    []section // of a data set
	Runs        []*chapter
	Cautions    []string
}

// chapter is about one run.
type chapter struct {
	ID, Name, Subtitle string
	Verdict, Why       string
	Class              string // of the verdict
	Large              []row
	Answers            []Answer
	Sections           []section

	run    *Run
	grade  grade
	figure int // numbered so far
}

// row is the large numbers of one sensor.
type row struct {
	Sensor  string // empty: the only one
	Numbers []large
}

// large is one number to be read from afar.
type large struct{ Name, Value, Unit, Below string }

// section is numbered: a figure, a table, or both.
type section struct {
	Number      int
	Title, Note string
	Figure      template.HTML
	Grid        *grid
	Wide        bool // as wide as the page
	Tall        bool // a figure much higher than wide: a page of its own in print
}

// grid is a table with headers.
type grid struct {
	Caption string
	Head    []string
	Rows    [][]cell
	Words   bool // of words, left-aligned
	Class   string
}

// cell is one field: dark digits are certain, pale ones sigma covers.
type cell struct {
	Dark, Pale string
	Class      string
	Link       string
}

func words(texts ...string) (cells []cell) {
	for _, t := range texts {
		cells = append(cells, cell{Dark: t})
	}
	return cells
}

// Write writes the document of runs as one HTML file that needs nothing else.
func (d *Document) Write(w io.Writer, runs []*Run) error {
	p := page{Tool: d.Tool, Style: template.CSS(documentCSS), Cautions: cautions}
	for _, run := range runs {
		c, err := d.chapter(run)
		if err != nil {
			return fmt.Errorf("%s: %w", run.Dir, err)
		}
		p.Runs = append(p.Runs, c)
	}
	slices.SortStableFunc(p.Runs, func(a, b *chapter) int {
		return cmp.Or(cmp.Compare(b.grade, a.grade), cmp.Compare(b.run.size(), a.run.size()))
	})
	for i, c := range p.Runs {
		c.ID = fmt.Sprintf("run-%d", i+1)
	}
	p.Title = p.Runs[0].Name
	if len(runs) > 1 {
		p.Title = fmt.Sprintf("%d runs", len(runs))
		p.Overview = overview(p.Runs)
	}
	var b bytes.Buffer
	if err := documentTemplate.Execute(&b, p); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

// cautions stand in every document.
var cautions = []string{
	"Clinical use is out of scope; it needs regulatory clearance.",
	caution.Standing,
	"Near driven coils fields can exceed exposure reference levels.",
	"The stated uncertainty covers what was measured and modelled. Metal that keeps still may hide in a calibration without a map.",
}

// size is the error that ranks a run: measured, else estimated, else stated [m].
func (run *Run) size() float64 {
	if run.Assessment != nil {
		return run.Assessment.PositionRMS
	}
	worst := 0.0
	for _, s := range run.Sensors {
		estimated := s.Series.mostEstimated
		if math.IsNaN(estimated) {
			estimated = s.MostSigma
		}
		worst = max(worst, estimated)
	}
	return worst
}

func overview(all []*chapter) *grid {
	g := &grid{Caption: "Runs, worst first", Head: []string{"run", "verdict", "position", "orientation", "inside 95 %", "flagged", "because"}, Class: "overview", Words: true}
	for _, c := range all {
		first := c.Large[0].Numbers
		fields := []cell{{Dark: c.Name, Link: "#" + c.ID}, {Dark: c.Verdict, Class: c.Class}}
		for _, l := range first {
			text := l.Value
			if l.Unit == "°" {
				text += l.Unit
			} else if l.Unit != "" {
				text += " " + l.Unit
			}
			fields = append(fields, cell{Dark: text})
		}
		fields[len(fields)-1].Dark += " of " + fmt.Sprint(c.run.Rows)
		g.Rows = append(g.Rows, append(fields, cell{Dark: c.Why}))
	}
	return g
}

func (d *Document) chapter(run *Run) (*chapter, error) {
	name := filepath.Base(filepath.Clean(run.Dir))
	if abs, err := filepath.Abs(run.Dir); err == nil {
		name = filepath.Base(abs)
	}
	c := &chapter{Name: name, Subtitle: run.subtitle(), Answers: run.Evidence().Answers(), run: run}
	c.grade, c.Why = verdictOf(c.Answers)
	c.Verdict, c.Class = c.grade.String(), [...]string{"sound", "doubt", "wrong"}[c.grade]
	for _, s := range run.Sensors {
		c.Large = append(c.Large, run.large(s))
	}
	for _, part := range []func() error{c.pictures, c.samples, c.couplings, c.tones, c.poses, c.assessment, c.flags, c.facts, c.plan, c.calibration, c.calibrated} {
		if err := part(); err != nil {
			return nil, err
		}
	}
	c.provenance(d)
	return c, nil
}

func (run *Run) subtitle() string {
	r := &run.Metadata.Recording
	text := fmt.Sprintf("Recording %s", r.Name)
	if !r.Start.IsZero() {
		text += r.Start.UTC().Format(", begun 2006-01-02 15:04:05 UTC")
	}
	return text + fmt.Sprintf("; %s to %s s, %d channels at %s on the bench %s.", present.Number(max(0, run.Start), 4), present.Number(run.End, 4),
		len(run.Rig.Channels), present.Quantity(run.Rig.SampleRateHz, "Hz"), run.Rig.Name)
}

// large are the numbers at the top: errors where the truth is known, else what is
// stated, or estimated where the model is wrong.
func (run *Run) large(s *SensorRun) row {
	out := row{}
	if len(run.Sensors) > 1 {
		out.Sensor = s.Name
	}
	flagged := 0
	var sigma, turn, estimated, turned []float64
	for _, p := range s.Series.all() {
		sigma, turn = append(sigma, p.sigma), append(turn, p.turn)
		estimated, turned = append(estimated, p.estimated), append(turned, p.turned)
		if p.Flags != 0 {
			flagged++
		}
	}
	flagged *= max(1, s.Series.points.every) // about, of very long runs
	if sum := run.Assessment; sum != nil {
		r := &sum.Report
		for i := range sum.Sensors {
			if sum.Sensors[i].Sensor == s.Name && sum.Sensors[i].Report != nil {
				r = sum.Sensors[i].Report
			}
		}
		out.Numbers = []large{
			length("error of position, rms", r.PositionRMS, "predicted "+quantity(r.PredictedPosition, "m")),
			angle("of orientation, rms", r.OrientationRMS, "predicted "+degrees(r.PredictedRotation)),
			{"inside the 95 % region", present.Number(100*r.Coverage95, 3), "%", fmt.Sprintf("%.0f of %d poses", r.Coverage95*float64(r.WithCovariance), r.WithCovariance)},
		}
	} else if 2*flagged > s.Rows && !math.IsNaN(middle(estimated)) {
		out.Numbers = []large{
			length("estimated error of position", middle(estimated), "median, up to "+quantity(s.Series.mostEstimated, "m")+"; noise σ "+quantity(middle(sigma), "m")),
			angle("of orientation", middle(turned), "noise alone σ "+degrees(middle(turn))),
			{"inside the 95 % region", "–", "", "no truth was given"},
		}
		for i := range 2 {
			out.Numbers[i].Value = "≈ " + out.Numbers[i].Value
		}
	} else {
		out.Numbers = []large{
			length("σ of position, median", middle(sigma), "up to "+quantity(s.MostSigma, "m")),
			angle("σ of orientation, median", middle(turn), "rms length, all axes"),
			{"inside the 95 % region", "–", "", "no truth was given"},
		}
	}
	out.Numbers = append(out.Numbers, large{"flagged", fmt.Sprint(flagged), "", fmt.Sprintf("of %d poses", s.Rows)})
	return out
}

func quantity(v float64, unit string) string { return present.Quantity(v, unit) }

// angles are in degrees, with two digits.
func degrees(rad float64) string { return present.Number(rad*180/math.Pi, 2) + "°" }

func length(name string, v float64, below string) large {
	value, unit := "–", ""
	if tables.IsNumber(v) {
		text := []rune(present.Quantity(v, "m"))
		if i := slices.Index(text, ' '); i >= 0 {
			value, unit = string(text[:i]), string(text[i+1:])
		}
	}
	return large{name, value, unit, below}
}

func angle(name string, rad float64, below string) large {
	return large{name, present.Number(rad*180/math.Pi, 2), "°", below}
}

// show appends a section with a figure; nil: none.
func (c *chapter) show(f *figure.Figure, wide bool) error {
	if f == nil {
		return nil
	}
	var b bytes.Buffer
	if err := f.WriteInline(&b); err != nil {
		return err
	}
	c.add(section{Title: f.Title, Note: f.Note, Figure: template.HTML(b.String()), Wide: wide, Tall: f.Height > 1.25*f.Width})
	return nil
}

func (c *chapter) add(s section) {
	c.figure++
	s.Number = c.figure
	c.Sections = append(c.Sections, s)
}

// list appends a section with a table.
func (c *chapter) list(title, note string, g *grid) {
	g.Caption = title
	c.add(section{Title: title, Note: note, Grid: g, Wide: true})
}

// instant prints a time of day for provenance.
func instant(t time.Time) string {
	if t.IsZero() {
		return "not stated"
	}
	return t.UTC().Format("2006-01-02 15:04:05.000 UTC")
}
