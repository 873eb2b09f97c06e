package figure

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// AccuracyData compares the errors of a series of poses with what was predicted.
// The slices are of Time's length; NaN: no value; nil: the panel is left out.
type AccuracyData struct {
	Title, Note string

	Time          []float64 // rising [s]
	Position      []float64 // length of the position error [m]
	PositionSigma []float64 // predicted rms of the same: √(trace of the position covariance) [m]
	Rotation      []float64 // angle of the orientation error [rad]
	RotationSigma []float64 // predicted rms of the same [rad]
	Normalised    []float64 // √(eᵀC⁻¹e / Freedoms), dimensionless
	Freedoms      int       // of a pose: 6, or 5 about an unknown roll
}

// Accuracy draws error against prediction over time: position, orientation and
// the ratio of both, with the band in which 95 % of the ratios should lie.
func Accuracy(d AccuracyData) *Figure {
	var panels []*plot.Plot
	var shares []float64
	add := func(p *plot.Plot, share float64) {
		chart.TimeAxis(p, d.Time)
		panels, shares = append(panels, p), append(shares, share)
	}
	shown := chart.GlyphEntry("error", errorDot)
	if len(d.Time) > chart.Crowded {
		shown = chart.AreaEntry("error: range, median darker", colour.Pale(colour.Blue))
	}
	legend := []chart.Entry{
		shown,
		chart.LineEntry("predicted, one sigma", chart.Stroke(colour.Ink, 1.4)),
	}
	if d.Position != nil {
		add(d.errorPanel("position error", "m", d.Position, d.PositionSigma), 3)
	}
	if d.Rotation != nil {
		add(d.errorPanel("orientation error", "rad", d.Rotation, d.RotationSigma), 3)
	}
	if d.Normalised != nil {
		add(d.ratioPanel(), 2.2)
		legend = append(legend, chart.AreaEntry("95 % of ratios, were the prediction right", bandInk))
	}
	return &Figure{
		Width: 7.2 * vg.Inch, Height: vg.Length(1+1.5*float64(len(panels))) * vg.Inch,
		Title: d.Title, Note: d.Note, Legend: legend,
		Body: func(c draw.Canvas) {
			if len(panels) > 0 {
				panels[len(panels)-1].X.Label.Text = "time (s)"
				chart.Stack(c, panels, shares)
			}
		},
	}
}

var (
	errorDot = chart.Dot(colour.Blue, 1.5)
	bandInk  = colour.Band
)

// errorPanel has a log axis in the SI prefix that suits the prediction.
func (d AccuracyData) errorPanel(name, unit string, errors, sigma []float64) *plot.Plot {
	lo, hi := chart.SpanOr(true, 0.1, 1, errors, sigma)
	p := chart.LogPanel(name, unit, lo, hi, math.Sqrt(lo*hi))
	p.Add(chart.Dots(d.Time, errors, errorDot), chart.Curve(d.Time, sigma, chart.Stroke(colour.Ink, 1.4)))
	return p
}

func (d AccuracyData) ratioPanel() *plot.Plot {
	p := chart.NewPlot("", "error / predicted")
	least, hi := chart.SpanOr(true, 1, 1, d.Normalised)
	chi2 := distuv.ChiSquared{K: float64(max(d.Freedoms, 1))}
	low, high := math.Sqrt(chi2.Quantile(0.025)/chi2.K), math.Sqrt(chi2.Quantile(0.975)/chi2.K)
	p.Y.Min, p.Y.Max = 0, max(hi, high)*1.08
	p.Y.Tick.Marker = chart.LinearTicks{Count: 4}
	if hi > 8 { // a prediction that fails spans decades
		p.Y.Scale, p.Y.Min, p.Y.Max = plot.LogScale{}, min(least, low)/1.2, hi*1.2
		p.Y.Tick.Marker = chart.LogTicks{}
	}
	p.Add(chart.Drawing(func(c draw.Canvas, p *plot.Plot, _, y func(float64) vg.Length) {
		chart.Fill(c, bandInk, chart.Box(c.Min.X, y(low), c.Max.X, y(high)))
	}))
	p.Add(chart.Dots(d.Time, d.Normalised, errorDot))
	p.Add(chart.Drawing(func(c draw.Canvas, p *plot.Plot, _, y func(float64) vg.Length) {
		c.StrokeLine2(chart.Stroke(colour.Ink, 1.2), c.Min.X, y(1), c.Max.X, y(1))
		for _, edge := range []float64{low, high} { // over a crowd that hides the band
			c.StrokeLine2(chart.Dashed(colour.Blue, 0.5), c.Min.X, y(edge), c.Max.X, y(edge))
		}
	}))
	return p
}
