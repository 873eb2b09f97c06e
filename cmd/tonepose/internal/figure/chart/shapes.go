package chart

import (
	"image/color"
	"math"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Outline is the closed line about r.
func Outline(r vg.Rectangle) []vg.Point {
	return []vg.Point{r.Min, {X: r.Max.X, Y: r.Min.Y}, r.Max, {X: r.Min.X, Y: r.Max.Y}, r.Min}
}

// Dot is a filled circle.
func Dot(ink color.Color, radius vg.Length) draw.GlyphStyle {
	return draw.GlyphStyle{Color: ink, Radius: radius, Shape: draw.CircleGlyph{}}
}

// Box has two corners that lie across.
func Box(x0, y0, x1, y1 vg.Length) vg.Rectangle {
	return vg.Rectangle{Min: vg.Point{X: x0, Y: y0}, Max: vg.Point{X: x1, Y: y1}}
}

// Centre is the middle of r.
func Centre(r vg.Rectangle) vg.Point { return r.Min.Add(r.Max).Scale(0.5) }

// Fill paints all of r.
func Fill(c draw.Canvas, ink color.Color, r vg.Rectangle) {
	c.SetColor(ink)
	c.Fill(r.Path())
}

// Arrow draws a line with a head at its end, slim by half of its width over its
// length; a line too short for a head stays bare.
func Arrow(c draw.Canvas, from, to vg.Point, line draw.LineStyle, slim vg.Length) {
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
