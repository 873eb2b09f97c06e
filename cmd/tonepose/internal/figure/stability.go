package figure

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// StabilityData is deviations of the Allan family against averaging time, in
// one or more panels that share the time axis.
type StabilityData struct {
	Title, Note string
	Panels      []StabilityPanel
}

// StabilityPanel is the deviations of one quantity.
type StabilityPanel struct {
	Quantity string // "relative amplitude"
	Unit     string // "rad"; empty: none
	Curves   []Deviation
}

// Deviation is one series' deviation; all slices have Tau's length.
type Deviation struct {
	Name                  string
	Tau, Value, Low, High []float64 // [s], [unit]; Low and High bound Value's truth
}

// Stability draws deviations with their confidence on log axes. Curves of the
// same name share a colour; the bars of neighbours are set apart.
func Stability(d StabilityData) *Figure {
	f := &Figure{Width: 7.2 * vg.Inch, Height: vg.Length(1.1+1.9*float64(len(d.Panels))) * vg.Inch, Title: d.Title, Note: d.Note}
	inks := map[string]int{}
	var panels []*plot.Plot
	var shares []float64
	var taus [][]float64
	for _, panel := range d.Panels {
		for _, c := range panel.Curves {
			taus = append(taus, c.Tau)
			if _, ok := inks[c.Name]; !ok {
				inks[c.Name] = len(inks)
				f.Legend = append(f.Legend, chart.LineEntry(c.Name, chart.SeriesLine(inks[c.Name], 1.2)))
			}
		}
	}
	lo, hi := chart.SpanOr(true, 1, 10, taus...)
	for _, panel := range d.Panels {
		p := panel.plot(inks)
		p.X.Scale, p.X.Tick.Marker = plot.LogScale{}, chart.LogTicks{}
		p.X.Min, p.X.Max = lo/1.25, hi*1.25
		panels, shares = append(panels, p), append(shares, 1)
	}
	f.Body = func(c draw.Canvas) {
		if len(panels) > 0 {
			panels[len(panels)-1].X.Label.Text = "averaging time (s)"
			chart.Stack(c, panels, shares)
		}
	}
	return f
}

func (panel StabilityPanel) plot(inks map[string]int) *plot.Plot {
	var all [][]float64
	for _, c := range panel.Curves {
		all = append(all, c.Low, c.High, c.Value)
	}
	lo, hi := chart.SpanOr(true, 0.1, 1, all...)
	p := chart.LogPanel(panel.Quantity, panel.Unit, lo, hi, math.Sqrt(lo*hi))
	for i, c := range panel.Curves {
		line := chart.SeriesLine(inks[c.Name], 1.1)
		aside := 1.3 * vg.Length(float64(i)-float64(len(panel.Curves)-1)/2)
		p.Add(chart.Curve(c.Tau, c.Value, line))
		p.Add(chart.Drawing(func(cv draw.Canvas, _ *plot.Plot, x, y func(float64) vg.Length) {
			for k, tau := range c.Tau {
				if !(c.Value[k] > 0) {
					continue
				}
				at := x(tau) + aside
				if c.Low[k] > 0 && c.High[k] > 0 && !math.IsInf(c.High[k], 0) {
					cv.StrokeLine2(chart.Stroke(colour.Pale(line.Color), 1.1), at, y(c.Low[k]), at, y(c.High[k]))
				}
				cv.DrawGlyph(chart.Dot(line.Color, 1.6), vg.Point{X: x(tau), Y: y(c.Value[k])})
			}
		}))
	}
	return p
}
