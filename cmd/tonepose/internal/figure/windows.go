package figure

import (
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
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
		extra := []float64{}
		if wanted > 0 {
			extra = append(extra, wanted)
		}
		lo, hi := spanOr(true, 0.1, 1, a, b, extra)
		p := logPanel(name, unit, lo, hi, lo*3)
		if lo, hi = spanOr(true, 1e-3, 1, d.Window); lo == hi {
			lo, hi = 1e-3, 1
		}
		p.X.Scale = plot.LogScale{}
		p.X.Min, p.X.Max = lo, hi
		p.X.Tick.Marker = logTicks{unit: 1e-3, plain: true}
		p.Add(curve(d.Window, a, stroke(blue, 1.4)), curve(d.Window, b, stroke(vermillion, 1.4)))
		p.Add(drawing(func(c draw.Canvas, p *plot.Plot, x, y func(float64) vg.Length) {
			if v := d.Planned; v > p.X.Min && v < p.X.Max {
				c.StrokeLine2(dashed(softInk, 0.9), x(v), c.Min.Y, x(v), c.Max.Y)
			}
			if wanted > 0 {
				c.StrokeLine2(dashed(black, 0.9), c.Min.X, y(wanted), c.Max.X, y(wanted))
			}
		}))
		return p
	}
	f := &Figure{width: 7.2 * vg.Inch, height: 4.6 * vg.Inch, title: d.Title, note: d.Note,
		legend: []entry{lineEntry(d.MedianName, stroke(blue, 1.4)), lineEntry(d.OtherName, stroke(vermillion, 1.4))}}
	if d.Planned > 0 {
		f.legend = append(f.legend, lineEntry("planned window", dashed(softInk, 0.9)))
	}
	if d.Wanted > 0 {
		f.legend = append(f.legend, lineEntry("wanted", dashed(black, 0.9)))
	}
	panels := []*plot.Plot{panel("position error", "m", d.PositionMedian, d.PositionP95, d.Wanted), panel("orientation error", "rad", d.RotationMedian, d.RotationP95, 0)}
	panels[1].X.Label.Text = "window (ms)"
	f.body = func(c draw.Canvas) { stack(c, panels, []float64{1, 1}) }
	return f
}
