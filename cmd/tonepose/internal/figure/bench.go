package figure

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// projection takes a place on the bench to the paper.
type projection func(r3.Vec) vg.Point

// draw draws emitters and paths, the estimate on top.
func (d PathData) draw(c draw.Canvas, at projection) {
	for _, t := range d.True {
		t.draw(c, at, trueLine, stationGlyph)
	}
	for _, e := range d.Emitters {
		e.draw(c, at)
	}
	for i, t := range d.Estimated {
		ink := colour.Series[trackInk(i)]
		t.draw(c, at, chart.Stroke(ink, 1), estimateGlyph(ink))
	}
	d.names(c, at)
}

func (t Track) draw(c draw.Canvas, at projection, line draw.LineStyle, glyph draw.GlyphStyle) {
	var run []vg.Point
	end := func() {
		if len(run) > 1 {
			c.StrokeLines(line, run)
		}
		run = nil
	}
	for _, p := range t.Points {
		if math.IsNaN(p.X + p.Y + p.Z) {
			end()
			continue
		}
		pt := at(p)
		if len(t.Points) <= fewPoints {
			c.DrawGlyphNoClip(glyph, pt)
			continue
		}
		// Points nearer than half a printed dot add nothing but size.
		if n := len(run); n > 0 && math.Hypot(float64(pt.X-run[n-1].X), float64(pt.Y-run[n-1].Y)) < float64(chart.Pixel) {
			continue
		}
		run = append(run, pt)
	}
	end()
}

func (e Emitter) draw(c draw.Canvas, at projection) {
	e.outlined(c, at, coilLine)
	from, to := at(e.Center), at(r3.Add(e.Center, e.arrow()))
	if math.Hypot(float64(to.X-from.X), float64(to.Y-from.Y)) < 1.5 { // seen end on: towards the eye
		c.DrawGlyphNoClip(chart.Dot(colour.SoftInk, 1.3), from)
		return
	}
	chart.Arrow(c, from, to, coilLine, 0.45)
}

// names prints each emitter's name near its arrow's tip or centre, clear of
// other names and, as far as may be, of the drawing; a view in which there is no
// such place goes without.
func (d PathData) names(c draw.Canvas, at projection) {
	// One obstacle a square of 2 points: no name needs to know better.
	seen := make(map[[2]int]bool)
	var drawn []vg.Point
	add := func(p r3.Vec) {
		pt := at(p)
		key := [2]int{int(pt.X / 2), int(pt.Y / 2)}
		if !seen[key] {
			seen[key] = true
			drawn = append(drawn, pt)
		}
	}
	for p := range d.points() {
		add(p)
	}
	for _, e := range d.Emitters {
		for k := range 9 { // along the arrow
			add(r3.Add(e.Center, r3.Scale(float64(k)/8, e.arrow())))
		}
	}
	var l chart.Labels
	style := chart.Bold(chart.Lettering(chart.SmallSize, colour.Ink, 0, 0))
	for _, e := range d.Emitters {
		from, tip := at(e.Center), at(r3.Add(e.Center, e.arrow()))
		var places []vg.Point
		for _, reach := range []vg.Length{8, 11, 15, 20, 26, 32} {
			for _, around := range []vg.Point{tip, from} {
				for k := range 12 {
					sin, cos := math.Sincos(math.Pi / 6 * float64(k))
					places = append(places, vg.Point{X: around.X + reach*vg.Length(cos), Y: around.Y + reach*vg.Length(sin)})
				}
			}
		}
		l.Put(c, style, e.Name, places, drawn)
	}
}
