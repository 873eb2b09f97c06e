package chart

import (
	"image/color"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/colour"
)

const (
	Margin = vg.Length(10)

	titleSize = vg.Length(11.5)
	LabelSize = vg.Length(9.5)
	TickSize  = vg.Length(8.5)
	SmallSize = vg.Length(8)
)

// Lettering is a text style of the house face.
func Lettering(size vg.Length, c color.Color, x text.XAlignment, y text.YAlignment) text.Style {
	return text.Style{
		Color:   c,
		Font:    font.Font{Typeface: "Liberation", Variant: "Sans", Size: size},
		XAlign:  x,
		YAlign:  y,
		Handler: plot.DefaultTextHandler,
	}
}

// Bold is the style in bold letters.
func Bold(s text.Style) text.Style {
	s.Font.Weight = xfont.WeightBold
	return s
}

// Stroke is an unbroken line, Dashed a dashed one.
func Stroke(c color.Color, width vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: c, Width: width}
}

func Dashed(c color.Color, width vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: c, Width: width, Dashes: []vg.Length{4, 2.5}}
}

// SeriesLine is the line of the i-th of several series: a colour each, dashed
// when the colours begin again.
func SeriesLine(i int, width vg.Length) draw.LineStyle {
	if i/len(colour.Series)%2 == 1 {
		return Dashed(colour.Series[i%len(colour.Series)], width)
	}
	return Stroke(colour.Series[i%len(colour.Series)], width)
}

// fitting returns the style in a size that lets the text be no wider.
func fitting(s text.Style, line string, width vg.Length) text.Style {
	if w := s.Width(line); w > width {
		s.Font.Size *= width / w
	}
	return s
}

// NewPlot returns an empty panel: light grid on every labelled tick, a thin
// frame, ticks outside. The axes' ranges and markers are the caller's.
func NewPlot(xLabel, yLabel string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	for _, a := range []struct {
		axis  *plot.Axis
		label string
	}{{&p.X, xLabel}, {&p.Y, yLabel}} {
		a.axis.Label.Text = a.label
		a.axis.Label.TextStyle.Font = Lettering(LabelSize, colour.Ink, 0, 0).Font
		a.axis.Label.TextStyle.Color = colour.Ink
		a.axis.Label.Padding = 3
		a.axis.Tick.Label.Font = Lettering(TickSize, colour.Ink, 0, 0).Font
		a.axis.Tick.Label.Color = colour.Ink
		a.axis.Tick.LineStyle = Stroke(colour.FrameInk, 0.6)
		a.axis.Tick.Length = 4
		a.axis.LineStyle.Width = 0 // grid draws the frame
		a.axis.Padding = 0
	}
	p.Add(Drawing(grid))
	return p
}

// Drawing is a plotter with the panel's scales.
type Drawing func(c draw.Canvas, p *plot.Plot, x, y func(float64) vg.Length)

// Plot implements plot.Plotter.
func (d Drawing) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	d(c, p, x, y)
}

func grid(c draw.Canvas, p *plot.Plot, x, y func(float64) vg.Length) {
	style := Stroke(colour.GridInk, 0.5)
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
	c.StrokeLines(Stroke(colour.FrameInk, 0.6), Outline(c.Rectangle))
}

// Widest is the width of the longest of texts.
func Widest(style draw.TextStyle, texts []string) (w vg.Length) {
	for _, t := range texts {
		w = max(w, style.Width(t))
	}
	return w
}

// LogPanel is an empty panel with a log axis from lo to hi, in the unit that suits the
// value shown.
func LogPanel(quantity, unit string, lo, hi, shown float64) *plot.Plot {
	scale, name := Scale(shown, unit)
	p := NewPlot("", In(quantity, name))
	p.Y.Scale, p.Y.Tick.Marker = plot.LogScale{}, LogTicks{scale}
	p.Y.Min, p.Y.Max = lo/1.3, hi*1.3
	return p
}

// TimeAxis lets p show the times.
func TimeAxis(p *plot.Plot, times []float64) {
	lo, hi := SpanOr(false, 0, 1, times)
	p.X.Min, p.X.Max = Widen(lo, hi, 0.01)
	p.X.Tick.Marker = LinearTicks{Count: 8}
}

// Widen adds a share of the span on both sides.
func Widen(lo, hi, share float64) (float64, float64) {
	if lo == hi {
		return lo - 0.5, hi + 0.5
	}
	return lo - share*(hi-lo), hi + share*(hi-lo)
}
