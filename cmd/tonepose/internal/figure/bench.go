package figure

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

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

func drawEmitters(c draw.Canvas, at projection, emitters []Emitter) {
	for _, e := range emitters {
		e.outlined(c, at, coilLine)
		from, to := at(e.Center), at(r3.Add(e.Center, e.arrow()))
		if math.Hypot(float64(to.X-from.X), float64(to.Y-from.Y)) < 1.5 { // seen end on: towards the eye
			c.DrawGlyphNoClip(chart.Dot(colour.SoftInk, 1.3), from)
			continue
		}
		chart.Arrow(c, from, to, coilLine, 0.45)
	}
}

// names prints each emitter's name near its arrow's tip or centre, clear of
// other names and, as far as possible, of the points drawn; a view without such
// a position goes without.
func names(c draw.Canvas, at projection, emitters []Emitter, points []r3.Vec) {
	points = slices.Clip(points)
	for _, e := range emitters {
		for k := range 9 { // along the arrow
			points = append(points, r3.Add(e.Center, r3.Scale(float64(k)/8, e.arrow())))
		}
	}
	// One obstacle a square of 2 points: enough for names.
	seen := make(map[[2]int]bool)
	var drawn []vg.Point
	for _, p := range points {
		pt := at(p)
		if key := [2]int{int(pt.X / 2), int(pt.Y / 2)}; !seen[key] {
			seen[key] = true
			drawn = append(drawn, pt)
		}
	}
	var l chart.Labels
	style := chart.Bold(chart.Lettering(chart.SmallSize, colour.Ink, 0, 0))
	for _, e := range emitters {
		from, tip := at(e.Center), at(r3.Add(e.Center, e.arrow()))
		var candidates []vg.Point
		for _, reach := range []vg.Length{8, 11, 15, 20, 26, 32} {
			for _, around := range []vg.Point{tip, from} {
				for k := range 12 {
					sin, cos := math.Sincos(math.Pi / 6 * float64(k))
					candidates = append(candidates, vg.Point{X: around.X + reach*vg.Length(cos), Y: around.Y + reach*vg.Length(sin)})
				}
			}
		}
		l.Print(c, style, e.Name, candidates, drawn)
	}
}
