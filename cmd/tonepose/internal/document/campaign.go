package document

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"path/filepath"

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
		Title: fmt.Sprintf("%s: %d recordings", name, len(s.Recordings)), Overview: recordings(s)}
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

// recordings lists the recordings of a data set.
func recordings(s *batch.Summary) *grid {
	g := &grid{Caption: "Recordings, worst first", Class: "overview", Words: true,
		Head: []string{"recording", "verdict", "rows", "flagged", "σ of position", "estimated error", "noise", "clock", "because"}}
	for _, o := range s.Recordings[:min(len(s.Recordings), mostListed)] {
		q := o.Quality
		if q == nil {
			g.Rows = append(g.Rows, []cell{{Dark: o.Recording}, {Dark: "failed", Class: "wrong"}, {}, {}, {}, {}, {}, {}, {Dark: o.Error}})
			continue
		}
		grade := max(partly(q.Flagged, q.Rows), min(doubtful, partly(q.InDoubt, q.Rows)))
		row := words(o.Recording, grade.String(), fmt.Sprint(q.Rows), fmt.Sprint(q.Flagged), quantity(q.SigmaM, "m"), quantity(q.EstimatedM, "m"),
			quantity(q.NoiseV, "V"), present.Number(q.ClockPPM, 4)+" ppm", present.Because(q))
		row[1].Class = [...]string{"sound", "doubt", "wrong"}[grade]
		g.Rows = append(g.Rows, row)
	}
	return g
}
