package present

import (
	"fmt"
	"io"

	"tonepose/cmd/tonepose/internal/demo"
)

// Demo prints what the demo found and left in dir.
func Demo(w io.Writer, rows []demo.Result, dir string, seconds float64) error {
	p := newPage(w)
	p.line("Invented data: eight coils under a plastic pipe, a probe with three pickup coils.\n")
	t := tableOf(text("run"), number("poses", ""), number("position RMS", "mm"), number("predicted", "mm"), number("orientation RMS", "°"), number("predicted", "°"), number("error² over predicted", ""), number("inside 95 % region", "%"))
	for _, row := range rows {
		r := &row.Report
		t.Row(row.Path, fmt.Sprint(r.N), mm(r.PositionRMS), mm(r.PredictedPosition), degrees(r.OrientationRMS), degrees(r.PredictedRotation),
			Number(r.NormalisedMedian, 3), Number(100*r.Coverage95, 3))
	}
	p.table(t)
	p.line("")
	for _, row := range rows {
		p.line("%s: %s", row.Path, row.Words)
		p.flags(&row.Flags, "poses")
	}
	p.line("%s holds the recordings, tables and figures (path, accuracy, spectrum, coupling); %.1f s", dir, seconds)
	return p.err
}
