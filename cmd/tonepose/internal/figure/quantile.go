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

// QuantileData are squared errors over their predicted covariance, which follow
// chi-square if the prediction is right.
type QuantileData struct {
	Title, Note string
	Panels      []QuantilePanel // side by side
}

// QuantilePanel is one kind of error.
type QuantilePanel struct {
	Name    string    // "position"
	Squares []float64 // eᵀC⁻¹e; NaN: none
	Freedom int
}

// Quantiles draws, as lengths √(eᵀC⁻¹e), the quantiles of the errors against those
// that are predicted. If the prediction is right they lie on the line, within the band in
// which each quantile stays in 95 % of cases; above it, the prediction is too
// small.
func Quantiles(d QuantileData) *Figure {
	f := &Figure{Width: 7.2 * vg.Inch, Height: 4.3 * vg.Inch, Title: d.Title, Note: d.Note}
	f.Legend = []chart.Entry{
		chart.GlyphEntry("errors, in order", errorDot),
		chart.LineEntry("prediction right", chart.Stroke(colour.Ink, 1.2)),
		chart.AreaEntry("95 % of cases, were it right", bandInk),
	}
	f.Body = func(c draw.Canvas) {
		const left, bottom, gap = vg.Length(46), vg.Length(34), vg.Length(52)
		n := vg.Length(max(len(d.Panels), 1))
		width := (c.Size().X - left - gap*(n-1)) / n
		for i, panel := range d.Panels {
			x := c.Min.X + left + vg.Length(i)*(width+gap)
			chart.Place(panel.plot(), c, chart.Box(x, c.Min.Y+bottom, x+width, c.Max.Y))
		}
	}
	return f
}

func (panel QuantilePanel) plot() *plot.Plot {
	var seen []float64
	for _, v := range panel.Squares {
		if v >= 0 && !math.IsInf(v, 1) {
			seen = append(seen, math.Sqrt(v))
		}
	}
	slices.Sort(seen)
	n := len(seen)
	chi := distuv.ChiSquared{K: float64(max(panel.Freedom, 1))}
	var expected, low, high []float64
	// Of a crowd a few hundred quantiles show the shape; the ends are kept whole.
	var kept []float64
	step := max(1, n/600)
	for i, v := range seen {
		if i%step != 0 && i > 20 && i < n-20 {
			continue
		}
		kept = append(kept, v)
		expected = append(expected, math.Sqrt(chi.Quantile((float64(i)+0.5)/float64(n))))
		// The i-th of n in order follows Beta(i, n+1−i) on the scale of probability.
		beta := distuv.Beta{Alpha: float64(i) + 1, Beta: float64(n - i)}
		low = append(low, math.Sqrt(chi.Quantile(beta.Quantile(0.025))))
		high = append(high, math.Sqrt(chi.Quantile(beta.Quantile(0.975))))
	}
	p := chart.NewPlot(panel.Name+": predicted", "found")
	_, most := chart.SpanOr(false, 0, 3, expected, high)
	top := most
	if n > 0 {
		top = max(top, seen[n-1])
	}
	p.X.Min, p.X.Max = 0, 1.04*most
	p.Y.Min, p.Y.Max = 0, 1.04*top
	p.X.Tick.Marker, p.Y.Tick.Marker = chart.LinearTicks{Count: 5}, chart.LinearTicks{Count: 6}
	origin := 0.0
	if least, _, ok := chart.Span(true, expected, kept, low); ok && top > 2*most { // a prediction that fails spans decades
		origin = least / 1.1
		p.X.Scale, p.Y.Scale = plot.LogScale{}, plot.LogScale{}
		p.X.Min, p.Y.Min, p.X.Max, p.Y.Max = origin, origin, 1.15*most, 1.15*top
		p.X.Tick.Marker, p.Y.Tick.Marker = chart.LogTicks{}, chart.LogTicks{}
	}
	p.Add(chart.Drawing(func(c draw.Canvas, _ *plot.Plot, x, y func(float64) vg.Length) {
		var edge []vg.Point
		for i := range expected {
			edge = append(edge, vg.Point{X: x(expected[i]), Y: y(low[i])})
		}
		for i := len(expected) - 1; i >= 0; i-- {
			edge = append(edge, vg.Point{X: x(expected[i]), Y: y(high[i])})
		}
		if len(edge) > 4 {
			c.FillPolygon(bandInk, c.ClipPolygonXY(edge))
		}
		c.StrokeLines(chart.Stroke(colour.Ink, 1.2), c.ClipLinesXY([]vg.Point{{X: x(origin), Y: y(origin)}, {X: x(2 * most), Y: y(2 * most)}})...)
	}))
	p.Add(chart.Dots(expected, kept, errorDot))
	p.Add(chart.Drawing(func(c draw.Canvas, _ *plot.Plot, _, _ func(float64) vg.Length) {
		above := chart.Lettering(chart.SmallSize, colour.SoftInk, draw.XLeft, draw.YTop)
		c.FillText(above, vg.Point{X: c.Min.X + 5, Y: c.Max.Y - 4}, "above the line: uncertainty stated too small")
		below := chart.Lettering(chart.SmallSize, colour.SoftInk, draw.XRight, draw.YBottom)
		c.FillText(below, vg.Point{X: c.Max.X - 5, Y: c.Min.Y + 4}, "below: stated too large")
	}))
	return p
}
