package figure

import (
	"image/color"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Okabe and Ito, Color Universal Design (2008): eight colours that the common
// kinds of colour blindness keep apart. Yellow is left out: too pale for lines.
var (
	black      = color.NRGBA{0x00, 0x00, 0x00, 0xff}
	orange     = color.NRGBA{0xe6, 0x9f, 0x00, 0xff}
	skyBlue    = color.NRGBA{0x56, 0xb4, 0xe9, 0xff}
	green      = color.NRGBA{0x00, 0x9e, 0x73, 0xff}
	blue       = color.NRGBA{0x00, 0x72, 0xb2, 0xff}
	vermillion = color.NRGBA{0xd5, 0x5e, 0x00, 0xff}
	purple     = color.NRGBA{0xcc, 0x79, 0xa7, 0xff}

	series = []color.NRGBA{blue, vermillion, green, purple, orange, skyBlue, black}
)

var (
	white    = color.NRGBA{0xff, 0xff, 0xff, 0xff}
	ink      = color.NRGBA{0x22, 0x22, 0x22, 0xff} // text
	softInk  = color.NRGBA{0x66, 0x66, 0x66, 0xff} // small print, leaders
	gridInk  = color.NRGBA{0xe4, 0xe4, 0xe4, 0xff}
	frameInk = color.NRGBA{0x88, 0x88, 0x88, 0xff}
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
