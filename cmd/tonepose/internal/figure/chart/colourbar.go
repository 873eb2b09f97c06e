package chart

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/colour"
)

// ColourBar draws the map on the right of the panel r: from lo to hi, which are
// even on the scale (Linear, math.Log), with ticks and label.
func ColourBar(c draw.Canvas, r vg.Rectangle, m colour.Map, lo, hi float64, scale func(float64) float64, marker plot.Ticker, label string) {
	r.Min.X, r.Max.X = r.Max.X+14, r.Max.X+24
	const strips = 128
	height := (r.Max.Y - r.Min.Y) / strips
	for i := range strips {
		y := r.Min.Y + height*vg.Length(i)
		// Each strip reaches under the next, so that no seam shows.
		Fill(c, m.At((float64(i)+0.5)/strips), vg.Rectangle{Min: vg.Point{X: r.Min.X, Y: y}, Max: vg.Point{X: r.Max.X, Y: min(y+2*height, r.Max.Y)}})
	}
	frame := Stroke(colour.FrameInk, 0.6)
	c.StrokeLines(frame, Outline(r))
	style := Lettering(TickSize, colour.Ink, draw.XLeft, draw.YCenter)
	var widest vg.Length
	for _, t := range marker.Ticks(lo, hi) {
		if t.IsMinor() {
			continue
		}
		y := r.Min.Y + (r.Max.Y-r.Min.Y)*vg.Length((scale(t.Value)-scale(lo))/(scale(hi)-scale(lo)))
		c.StrokeLine2(frame, r.Max.X, y, r.Max.X+3, y)
		c.FillText(style, vg.Point{X: r.Max.X + 5, Y: y}, t.Label)
		widest = max(widest, style.Width(t.Label))
	}
	side := Lettering(LabelSize, colour.Ink, draw.XCenter, draw.YTop)
	side.Rotation = math.Pi / 2
	c.FillText(side, vg.Point{X: r.Max.X + 5 + widest + 2, Y: (r.Min.Y + r.Max.Y) / 2}, label)
}

// Linear is the scale of even steps.
func Linear(v float64) float64 { return v }
