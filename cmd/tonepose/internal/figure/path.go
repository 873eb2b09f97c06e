package figure

import (
	"image/color"
	"iter"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// Emitter is a coil as it is drawn: its outline, closed, and its axis.
type Emitter struct {
	Name    string
	Outline []r3.Vec // [m, rig frame]; empty: only the axis is drawn
	Center  r3.Vec   // [m]
	Axis    r3.Vec   // the direction of its field inside; any length
}

// Track is the path of a sensor [m, rig frame]. NaN ends a line.
type Track struct {
	Name   string
	Points []r3.Vec
}

// PathData is where things are on the bench.
type PathData struct {
	Title, Note string

	Emitters  []Emitter
	True      []Track // nil: not known
	Estimated []Track
}

// A path of few points is drawn as points: stations, not a motion.
const fewPoints = 60

var (
	trueLine     = chart.Stroke(colour.Pale(colour.SkyBlue), 3.4)
	coilLine     = chart.Stroke(colour.SoftInk, 1)
	stationGlyph = chart.Dot(colour.Pale(colour.SkyBlue), 4)
)

// Path draws emitters and paths from above, from the front and from the side,
// all to one scale, and for the eye from the front, the right and above.
func Path(d PathData) *Figure {
	lo, hi := d.bounds()
	f := &Figure{Title: d.Title, Note: d.Note, Legend: d.legend()}
	threeViews(f, lo, hi, func(_ view, c draw.Canvas, at projection) { d.draw(c, at) }, d.oblique)
	return f
}

func (d PathData) legend() (list []chart.Entry) {
	if len(d.True) > 0 {
		sample := chart.LineEntry("true", trueLine)
		if len(d.True[0].Points) <= fewPoints {
			sample = chart.GlyphEntry("true", stationGlyph)
		}
		list = append(list, sample)
	}
	for i, t := range d.Estimated {
		name := "estimated"
		if len(d.Estimated) > 1 {
			name += ", " + t.Name
		}
		if ink := colour.Series[trackInk(i)]; len(t.Points) <= fewPoints {
			list = append(list, chart.GlyphEntry(name, estimateGlyph(ink)))
		} else {
			list = append(list, chart.LineEntry(name, chart.Stroke(ink, 1)))
		}
	}
	if len(d.Emitters) > 0 {
		list = append(list, chart.LineEntry("emitter, arrow along its field", coilLine))
	}
	return list
}

// trackInk starts with vermillion, which stands out on the true path's blue.
func trackInk(i int) int { return (i + 1) % len(colour.Series) }

func estimateGlyph(ink color.Color) draw.GlyphStyle {
	return draw.GlyphStyle{Color: ink, Radius: 2.2, Shape: draw.CrossGlyph{}}
}

// bounds is the box around everything, widened for air and arrows.
func (d PathData) bounds() (lo, hi r3.Vec) {
	inf := math.Inf(1)
	lo, hi = r3.Vec{X: inf, Y: inf, Z: inf}, r3.Vec{X: -inf, Y: -inf, Z: -inf}
	for p := range d.points() {
		lo = r3.Vec{X: min(lo.X, p.X), Y: min(lo.Y, p.Y), Z: min(lo.Z, p.Z)}
		hi = r3.Vec{X: max(hi.X, p.X), Y: max(hi.Y, p.Y), Z: max(hi.Z, p.Z)}
	}
	if lo.X > hi.X {
		lo, hi = r3.Vec{}, r3.Vec{}
	}
	air := 0.06*max(hi.X-lo.X, hi.Y-lo.Y, hi.Z-lo.Z) + 1e-3
	edge := r3.Vec{X: air, Y: air, Z: air}
	return r3.Sub(lo, edge), r3.Add(hi, edge)
}

// points yields every known place of the drawing.
func (d PathData) points() iter.Seq[r3.Vec] {
	return func(yield func(r3.Vec) bool) {
		each := func(points ...r3.Vec) bool {
			for _, p := range points {
				if !math.IsNaN(p.X+p.Y+p.Z) && !yield(p) {
					return false
				}
			}
			return true
		}
		for _, e := range d.Emitters {
			if !each(e.Center, r3.Add(e.Center, e.arrow())) || !each(e.Outline...) {
				return
			}
		}
		for _, tracks := range [][]Track{d.True, d.Estimated} {
			for _, t := range tracks {
				if !each(t.Points...) {
					return
				}
			}
		}
	}
}

// arrow is as long as 0.8 of the coil's mean radius.
func (e Emitter) arrow() r3.Vec {
	norm := r3.Norm(e.Axis)
	if norm == 0 {
		return r3.Vec{}
	}
	length := 0.01
	if len(e.Outline) > 0 {
		length = 0
		for _, p := range e.Outline {
			length += 0.8 * r3.Norm(r3.Sub(p, e.Center)) / float64(len(e.Outline))
		}
	}
	return r3.Scale(length/norm, e.Axis)
}

// oblique draws the bench in r as seen from the front (−y), 30° to the right
// and 25° above, without axes but with their directions.
func (d PathData) oblique(c draw.Canvas, r vg.Rectangle) { d.obliqueOf(c, r, d.draw) }

// obliqueOf leaves the drawing to show.
func (d PathData) obliqueOf(c draw.Canvas, r vg.Rectangle, show func(c draw.Canvas, at projection)) {
	sinA, cosA := math.Sincos(math.Pi / 6)
	sinE, cosE := math.Sincos(25 * math.Pi / 180)
	across := func(p r3.Vec) float64 { return cosA*p.X + sinA*p.Y }
	up := func(p r3.Vec) float64 { return sinE*(cosA*p.Y-sinA*p.X) + cosE*p.Z }

	var xs, ys []float64
	for p := range d.points() {
		xs, ys = append(xs, across(p)), append(ys, up(p))
	}
	x0, x1, ok := chart.Span(false, xs)
	y0, y1, _ := chart.Span(false, ys)
	if !ok || x0 == x1 || y0 == y1 {
		return
	}
	size := r.Size()
	scale := 0.92 * min(float64(size.X)/(x1-x0), float64(size.Y)/(y1-y0))
	centre := vg.Point{X: (r.Min.X + r.Max.X) / 2, Y: (r.Min.Y + r.Max.Y) / 2}
	c.Rectangle = r
	show(c, func(p r3.Vec) vg.Point {
		return vg.Point{
			X: centre.X + vg.Length(scale*(across(p)-(x0+x1)/2)),
			Y: centre.Y + vg.Length(scale*(up(p)-(y0+y1)/2)),
		}
	})
	foot := vg.Point{X: r.Min.X + 16, Y: r.Max.Y - 30}
	style := chart.Lettering(chart.SmallSize, colour.SoftInk, draw.XCenter, draw.YCenter)
	for i, v := range []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
		tip := vg.Point{X: vg.Length(across(v)), Y: vg.Length(up(v))}
		c.StrokeLines(chart.Stroke(colour.SoftInk, 0.8), []vg.Point{foot, foot.Add(tip.Scale(16))})
		c.FillText(style, foot.Add(tip.Scale(22)), "xyz"[i:i+1])
	}
}
