package figure

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// QualityData is what the fits of a series of poses are worth, truth or none. The
// slices are of Time's length; NaN: no value.
type QualityData struct {
	Title, Note string

	Time      []float64 // rising [s]
	Sigma     []float64 // stated rms length of the position's error [m]
	Estimated []float64 // radius that holds 95 % of the positions, distortion included [m]
	Chi2      []float64
	DOF       int    // of Chi2
	InDoubt   []bool // not flagged, and yet hardly by noise alone
	Flagged   []bool
}

// Quality draws sigma and estimated error above chi-square with the band in which
// 95 % of it should lie. Rows in doubt are marked by a half-filled square, flagged ones by
// a filled one, in both.
func Quality(d QualityData) *Figure {
	lo, hi := chart.SpanOr(true, 1e-6, 1e-3, d.Sigma, d.Estimated)
	size := chart.LogPanel("position", "m", lo, hi, math.Sqrt(lo*hi))
	fits := chart.NewPlot("", "chi-square")
	chi2 := distuv.ChiSquared{K: float64(max(d.DOF, 1))}
	low, high := chi2.Quantile(0.025), chi2.Quantile(0.975)
	_, most := chart.SpanOr(true, high, high, d.Chi2)
	fits.Y.Min, fits.Y.Max = 0, max(most, high)*1.08
	fits.Y.Tick.Marker = chart.LinearTicks{Count: 4}
	if most > 8*high { // what does not fit spans decades
		least, _ := chart.SpanOr(true, low, low, d.Chi2)
		fits.Y.Scale, fits.Y.Min, fits.Y.Max = plot.LogScale{}, min(least, low)/1.2, most*1.3
		fits.Y.Tick.Marker = chart.LogTicks{}
	}
	fits.Add(chart.Drawing(func(c draw.Canvas, _ *plot.Plot, _, y func(float64) vg.Length) {
		chart.Fill(c, bandInk, chart.Box(c.Min.X, y(low), c.Max.X, y(high)))
	}))
	sigma, estimated := chart.Stroke(colour.Ink, 1.4), chart.Dashed(colour.Alarm, 1)
	size.Add(chart.Curve(d.Time, d.Estimated, estimated), chart.Curve(d.Time, d.Sigma, sigma))
	if len(d.Time) <= fewRows {
		size.Add(chart.Dots(d.Time, d.Sigma, chart.Dot(colour.Ink, 1.7)))
	}
	fits.Add(chart.Dots(d.Time, d.Chi2, errorDot))
	legend := []chart.Entry{chart.LineEntry("sigma", sigma), chart.LineEntry("estimated error, 95 %", estimated),
		chart.AreaEntry("95 % of chi-squares, were all modelled", bandInk)}
	for _, kind := range []struct {
		name  string
		which []bool
		shape draw.GlyphDrawer
	}{{"in doubt", d.InDoubt, halfFilled{}}, {"flagged", d.Flagged, draw.BoxGlyph{}}} {
		if !slices.Contains(kind.which, true) {
			continue
		}
		mark := draw.GlyphStyle{Color: colour.Alarm, Radius: 2, Shape: kind.shape}
		size.Add(chart.Dots(d.Time, among(d.Estimated, kind.which), mark))
		fits.Add(chart.Dots(d.Time, among(d.Chi2, kind.which), mark))
		legend = append(legend, chart.GlyphEntry(kind.name, mark))
	}
	chart.TimeAxis(size, d.Time)
	chart.TimeAxis(fits, d.Time)
	fits.X.Label.Text = "time (s)"
	return &Figure{Width: 7.2 * vg.Inch, Height: 4 * vg.Inch, Title: d.Title, Note: d.Note, Legend: legend,
		Body: func(c draw.Canvas) { chart.Stack(c, []*plot.Plot{size, fits}, []float64{3, 2}) }}
}

// among are those of the values that are meant, NaN for the others.
func among(values []float64, which []bool) []float64 {
	out := slices.Clone(values)
	for i, meant := range which {
		if !meant {
			out[i] = math.NaN()
		}
	}
	return out
}

// halfFilled is a square whose lower half is filled.
type halfFilled struct{}

// DrawGlyph implements draw.GlyphDrawer.
func (halfFilled) DrawGlyph(c *draw.Canvas, s draw.GlyphStyle, at vg.Point) {
	half := s.Radius * math.Sqrt2 / 2 * 1.2
	r := chart.Box(at.X-half, at.Y-half, at.X+half, at.Y+half)
	chart.Fill(*c, colour.White, r)
	chart.Fill(*c, s.Color, chart.Box(r.Min.X, r.Min.Y, r.Max.X, at.Y))
	c.StrokeLines(chart.Stroke(s.Color, 0.7), chart.Outline(r))
}
