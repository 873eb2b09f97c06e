package document

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"path/filepath"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/batch"
	"tonepose/cmd/tonepose/internal/present"
)

// mostListed is how many recordings of a data set a document lists.
const mostListed = 500

// WriteCampaign writes the document of a data set: what its recordings are worth, in figures
// and as a list, the worst first.
func (d *Document) WriteCampaign(w io.Writer, s *batch.Summary) error {
	name := filepath.Base(filepath.Clean(s.Dir))
	if abs, err := filepath.Abs(s.Dir); err == nil {
		name = filepath.Base(abs)
	}
	p := page{Tool: d.Tool, Style: template.CSS(documentCSS), Cautions: cautions,
		Title: fmt.Sprintf("%s: %d recordings", name, len(s.Recordings)), Overview: recordings(s), Notes: present.CampaignOf(s).Notes()}
	if more := len(s.Recordings) - mostListed; more > 0 {
		p.Notes = append(p.Notes, fmt.Sprintf("and %d better ones, which tonepose batch %s --summary --out summary lists", more, present.Quoted(s.Dir)))
	}
	if words := present.OwnReport(s.Dir, s.Recordings); words != "" {
		p.Notes = append(p.Notes, words)
	}
	f := s.Figure()
	var drawn bytes.Buffer
	if err := f.WriteInline(&drawn); err != nil {
		return err
	}
	p.Sections = []section{{Number: 1, Title: f.Title, Note: f.Note, Figure: template.HTML(drawn.String()), Wide: true}}
	var b bytes.Buffer
	if err := documentTemplate.Execute(&b, p); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

// againstTruth are the cells of errors against a truth, empty where they are not known.
func againstTruth(a *assess.Accuracy) []cell {
	row := make([]cell, 3)
	if a == nil {
		return row
	}
	row[0] = words(quantity(a.PositionRMS, "m"))[0]
	if a.OrientationRMS > 0 {
		row[1] = words(degrees(a.OrientationRMS))[0]
	}
	if a.WithCovariance > 0 {
		row[2] = words(present.Number(100*a.Coverage95, 3) + " %")[0]
	}
	return row
}

// recordings lists the recordings of a data set.
func recordings(s *batch.Summary) *grid {
	g := &grid{Caption: "Recordings, worst first", Class: "overview", Words: true,
		Head: []string{"recording", "verdict", "rows", "flagged", "σ of position", "estimated error", "noise", "clock"}}
	if s.Assessed > 0 {
		g.Head = append(g.Head, "error against truth", "turned", "inside 95 %")
	}
	g.Head = append(g.Head, "because")
	for _, o := range s.Recordings[:min(len(s.Recordings), mostListed)] {
		q := o.Quality
		if q == nil {
			row := make([]cell, len(g.Head))
			row[0], row[1], row[len(row)-1] = cell{Dark: o.Recording}, cell{Dark: "failed", Class: "wrong"}, cell{Dark: o.Error}
			g.Rows = append(g.Rows, row)
			continue
		}
		grade := max(partly(q.Flagged, q.Rows), min(doubtful, partly(q.InDoubt, q.Rows)))
		row := words(o.Recording, grade.String(), fmt.Sprint(q.Rows), fmt.Sprint(q.Flagged), quantity(q.SigmaM, "m"), quantity(q.EstimatedM, "m"),
			quantity(q.NoiseV, "V"), present.Number(q.ClockPPM, 4)+" ppm")
		if s.Assessed > 0 {
			row = append(row, againstTruth(q.Accuracy)...)
		}
		row = append(row, words(present.Because(o))...)
		row[1].Class = [...]string{"sound", "doubt", "wrong"}[grade]
		if o.Stale != "" {
			row[1] = cell{Dark: "stale", Class: "wrong"}
		}
		g.Rows = append(g.Rows, row)
	}
	return g
}
