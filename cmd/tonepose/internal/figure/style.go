package figure

import (
	"image/color"
	"math"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

const (
	margin = vg.Length(10)

	titleSize = vg.Length(11.5)
	labelSize = vg.Length(9.5)
	tickSize  = vg.Length(8.5)
	smallSize = vg.Length(8)
)

// lettering is a text style of the house face.
func lettering(size vg.Length, c color.Color, x text.XAlignment, y text.YAlignment) text.Style {
	return text.Style{
		Color:   c,
		Font:    font.Font{Typeface: "Liberation", Variant: "Sans", Size: size},
		XAlign:  x,
		YAlign:  y,
		Handler: plot.DefaultTextHandler,
	}
}

func bold(s text.Style) text.Style {
	s.Font.Weight = xfont.WeightBold
	return s
}

func stroke(c color.Color, width vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: c, Width: width}
}

func dashed(c color.Color, width vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: c, Width: width, Dashes: []vg.Length{4, 2.5}}
}

// seriesLine is the line of the i-th of several series: a colour each, dashed
// when the colours begin again.
func seriesLine(i int, width vg.Length) draw.LineStyle {
	if i/len(series)%2 == 1 {
		return dashed(series[i%len(series)], width)
	}
	return stroke(series[i%len(series)], width)
}

// fitting returns the style in a size that lets the text be no wider.
func fitting(s text.Style, line string, width vg.Length) text.Style {
	if w := s.Width(line); w > width {
		s.Font.Size *= width / w
	}
	return s
}

// newPlot returns an empty panel: light grid on every labelled tick, a thin
// frame, ticks outside. The axes' ranges and markers are the caller's.
func newPlot(xLabel, yLabel string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	for _, a := range []struct {
		axis  *plot.Axis
		label string
	}{{&p.X, xLabel}, {&p.Y, yLabel}} {
		a.axis.Label.Text = a.label
		a.axis.Label.TextStyle.Font = lettering(labelSize, ink, 0, 0).Font
		a.axis.Label.TextStyle.Color = ink
		a.axis.Label.Padding = 3
		a.axis.Tick.Label.Font = lettering(tickSize, ink, 0, 0).Font
		a.axis.Tick.Label.Color = ink
		a.axis.Tick.LineStyle = stroke(frameInk, 0.6)
		a.axis.Tick.Length = 4
		a.axis.LineStyle.Width = 0 // grid draws the frame
		a.axis.Padding = 0
	}
	p.Add(drawing(grid))
	return p
}

// drawing is a plotter that knows the panel's scales.
type drawing func(c draw.Canvas, p *plot.Plot, x, y func(float64) vg.Length)

// Plot implements plot.Plotter.
func (d drawing) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	d(c, p, x, y)
}

func grid(c draw.Canvas, p *plot.Plot, x, y func(float64) vg.Length) {
	style := stroke(gridInk, 0.5)
	for _, t := range p.X.Tick.Marker.Ticks(p.X.Min, p.X.Max) {
		if at := x(t.Value); !t.IsMinor() && c.ContainsX(at) {
			c.StrokeLine2(style, at, c.Min.Y, at, c.Max.Y)
		}
	}
	for _, t := range p.Y.Tick.Marker.Ticks(p.Y.Min, p.Y.Max) {
		if at := y(t.Value); !t.IsMinor() && c.ContainsY(at) {
			c.StrokeLine2(style, c.Min.X, at, c.Max.X, at)
		}
	}
	c.StrokeLines(stroke(frameInk, 0.6), outline(c.Rectangle))
}

func outline(r vg.Rectangle) []vg.Point {
	return []vg.Point{r.Min, {X: r.Max.X, Y: r.Min.Y}, r.Max, {X: r.Min.X, Y: r.Max.Y}, r.Min}
}

// widest is the width of the longest of texts.
func widest(style draw.TextStyle, texts []string) (w vg.Length) {
	for _, t := range texts {
		w = max(w, style.Width(t))
	}
	return w
}

// logPanel is an empty panel with a log axis from lo to hi, in the SI prefix that
// suits the value shown; without a unit, in plain numbers.
func logPanel(quantity, unit string, lo, hi, shown float64) *plot.Plot {
	ticks := logTicks{plain: true}
	if unit != "" {
		scale, prefix := prefixOf(shown)
		quantity += " (" + prefix + unit + ")"
		ticks.unit = scale
	}
	p := newPlot("", quantity)
	p.Y.Scale, p.Y.Tick.Marker = plot.LogScale{}, ticks
	p.Y.Min, p.Y.Max = lo/1.3, hi*1.3
	return p
}

// timeAxis lets p show the times.
func timeAxis(p *plot.Plot, times []float64) {
	lo, hi := spanOr(false, 0, 1, times)
	p.X.Min, p.X.Max = widen(lo, hi, 0.01)
	p.X.Tick.Marker = linearTicks{count: 8}
}

// widen adds a share of the span on both sides.
func widen(lo, hi, share float64) (float64, float64) {
	if lo == hi {
		return lo - 0.5, hi + 0.5
	}
	return lo - share*(hi-lo), hi + share*(hi-lo)
}

// dot is a filled circle.
func dot(ink color.Color, radius vg.Length) draw.GlyphStyle {
	return draw.GlyphStyle{Color: ink, Radius: radius, Shape: draw.CircleGlyph{}}
}

func box(x0, y0, x1, y1 vg.Length) vg.Rectangle {
	return vg.Rectangle{Min: vg.Point{X: x0, Y: y0}, Max: vg.Point{X: x1, Y: y1}}
}

func fill(c draw.Canvas, ink color.Color, r vg.Rectangle) {
	c.SetColor(ink)
	c.Fill(r.Path())
}

// arrow draws a line with a head at its end, slim by half of its width over its
// length; a line too short for a head stays bare.
func arrow(c draw.Canvas, from, to vg.Point, line draw.LineStyle, slim vg.Length) {
	c.StrokeLine2(line, from.X, from.Y, to.X, to.Y)
	dx, dy := to.X-from.X, to.Y-from.Y
	length := vg.Length(math.Hypot(float64(dx), float64(dy)))
	if length < 2 {
		return
	}
	head := min(4, length*0.6)
	ux, uy := dx/length*head, dy/length*head
	c.FillPolygon(line.Color, []vg.Point{to, {X: to.X - ux - slim*uy, Y: to.Y - uy + slim*ux}, {X: to.X - ux + slim*uy, Y: to.Y - uy - slim*ux}})
}
