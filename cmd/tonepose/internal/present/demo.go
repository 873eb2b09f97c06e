package present

import (
	"fmt"
	"io"

	"tonepose/cmd/tonepose/internal/demo"
	"tonepose/cmd/tonepose/internal/terminal"
)

// Demo prints what the demo found and left in dir.
func Demo(w io.Writer, rows []demo.Result, dir string, seconds float64) error {
	p := newPage(w)
	p.line("Invented data: eight coils under a plastic pipe, a probe with three pickup coils.\n")
	t := terminal.NewTable(terminal.Column{Name: "run", Left: true}, terminal.Column{Name: "poses"},
		terminal.Column{Name: "position RMS", Unit: "mm"}, terminal.Column{Name: "predicted", Unit: "mm"},
		terminal.Column{Name: "orientation RMS", Unit: "°"}, terminal.Column{Name: "predicted", Unit: "°"},
		terminal.Column{Name: "error² over predicted"}, terminal.Column{Name: "inside 95 % region", Unit: "%"})
	for _, row := range rows {
		r := &row.Report
		t.Row(row.Path, fmt.Sprint(r.N), mm(r.PositionRMS), mm(r.PredictedPosition), degrees(r.OrientationRMS), degrees(r.PredictedRotation),
			Number(r.NormalisedMedian, 3), Number(100*r.Coverage95, 3))
	}
	p.table(t)
	p.line("")
	for _, row := range rows {
		p.line("%s: %s", row.Path, row.Words)
	}
	p.line("%s holds the recordings, tables and figures (path, accuracy, spectrum, coupling); %.1f s", dir, seconds)
	return p.err
}
