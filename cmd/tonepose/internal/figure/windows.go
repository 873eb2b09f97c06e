package figure

import (
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// WindowsData is accuracy against the length of a measurement.
type WindowsData struct {
	Title, Note string

	Window                []float64 // rising [s]
	PositionMedian        []float64 // [m]
	PositionP95           []float64
	RotationMedian        []float64 // [rad]
	RotationP95           []float64
	Planned               float64 // window that is planned [s]; 0: none
	Wanted                float64 // position error that is wanted [m]; 0: none
	MedianName, OtherName string
}

// Windows draws predicted errors over the length of the window, both axes
// logarithmic: averaging n times longer gains the root of n.
func Windows(d WindowsData) *Figure {
	panel := func(name, unit string, a, b []float64, wanted float64) *plot.Plot {
		lo, hi := chart.SpanOr(true, 0.1, 1, a, b, []float64{wanted})
		p := chart.LogPanel(name, unit, lo, hi, lo*3)
		if lo, hi = chart.SpanOr(true, 1e-3, 1, d.Window); lo == hi {
			lo, hi = 1e-3, 1
		}
		p.X.Scale = plot.LogScale{}
		p.X.Min, p.X.Max = lo, hi
		p.X.Tick.Marker = chart.LogTicks{Unit: 1e-3}
		p.Add(chart.Curve(d.Window, a, chart.Stroke(colour.Blue, 1.4)), chart.Curve(d.Window, b, chart.Stroke(colour.Purple, 1.4)))
		p.Add(chart.Drawing(func(c draw.Canvas, p *plot.Plot, x, y func(float64) vg.Length) {
			if v := d.Planned; v > p.X.Min && v < p.X.Max {
				c.StrokeLine2(chart.Dashed(colour.SoftInk, 0.9), x(v), c.Min.Y, x(v), c.Max.Y)
			}
			if wanted > 0 {
				c.StrokeLine2(chart.Dashed(colour.Black, 0.9), c.Min.X, y(wanted), c.Max.X, y(wanted))
			}
		}))
		return p
	}
	f := &Figure{Width: 7.2 * vg.Inch, Height: 4.6 * vg.Inch, Title: d.Title, Note: d.Note,
		Legend: []chart.Entry{chart.LineEntry(d.MedianName, chart.Stroke(colour.Blue, 1.4)), chart.LineEntry(d.OtherName, chart.Stroke(colour.Purple, 1.4))}}
	if d.Planned > 0 {
		f.Legend = append(f.Legend, chart.LineEntry("planned window", chart.Dashed(colour.SoftInk, 0.9)))
	}
	if d.Wanted > 0 {
		f.Legend = append(f.Legend, chart.LineEntry("wanted", chart.Dashed(colour.Black, 0.9)))
	}
	panels := []*plot.Plot{panel("position error", "m", d.PositionMedian, d.PositionP95, d.Wanted), panel("orientation error", "rad", d.RotationMedian, d.RotationP95, 0)}
	panels[1].X.Label.Text = "window (ms)"
	f.Body = func(c draw.Canvas) { chart.Stack(c, panels, []float64{1, 1}) }
	return f
}
