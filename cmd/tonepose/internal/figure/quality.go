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

// QualityData is what the fits of a series of poses are worth, truth or none. The
// slices are of Time's length; NaN: no value.
type QualityData struct {
	Title, Note string

	Time      []float64 // rising [s]
	Sigma     []float64 // stated rms length of the position's error [m]
	Estimated []float64 // radius that holds 95 % of the positions, distortion included [m]
	Chi2      []float64
	DOF       int // of Chi2
	Flagged   []bool
}

// Quality draws sigma and estimated error above chi-square with the band in which
// 95 % of it should lie. Flagged rows are marked in both.
func Quality(d QualityData) *Figure {
	lo, hi := chart.SpanOr(true, 1e-6, 1e-3, d.Sigma, d.Estimated)
	size := chart.LogPanel("position", "m", lo, hi, lo)
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
	flagged := [2][]float64{make([]float64, len(d.Time)), make([]float64, len(d.Time))}
	any := false
	for i := range d.Time {
		flagged[0][i], flagged[1][i] = math.NaN(), math.NaN()
		if d.Flagged[i] {
			any = true
			flagged[0][i], flagged[1][i] = d.Estimated[i], d.Chi2[i]
		}
	}
	sigma, estimated := chart.Stroke(colour.Ink, 1.4), chart.Dashed(colour.Alarm, 1)
	size.Add(chart.Curve(d.Time, d.Estimated, estimated), chart.Curve(d.Time, d.Sigma, sigma))
	if len(d.Time) <= fewRows {
		size.Add(chart.Dots(d.Time, d.Sigma, chart.Dot(colour.Ink, 1.7)))
	}
	fits.Add(chart.Dots(d.Time, d.Chi2, errorDot))
	legend := []chart.Entry{chart.LineEntry("sigma", sigma), chart.LineEntry("estimated error, 95 %", estimated),
		chart.AreaEntry("95 % of chi-squares, were all modelled", bandInk)}
	if any {
		mark := draw.GlyphStyle{Color: colour.Alarm, Radius: 2, Shape: draw.BoxGlyph{}}
		size.Add(chart.Dots(d.Time, flagged[0], mark))
		fits.Add(chart.Dots(d.Time, flagged[1], mark))
		legend = append(legend, chart.GlyphEntry("flagged", mark))
	}
	chart.TimeAxis(size, d.Time)
	chart.TimeAxis(fits, d.Time)
	fits.X.Label.Text = "time (s)"
	return &Figure{Width: 7.2 * vg.Inch, Height: 4 * vg.Inch, Title: d.Title, Note: d.Note, Legend: legend,
		Body: func(c draw.Canvas) { chart.Stack(c, []*plot.Plot{size, fits}, []float64{3, 2}) }}
}
