package figure

import (
	"image/color"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
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
	trueLine     = chart.Stroke(colour.Band, 5)
	coilLine     = chart.Stroke(colour.SoftInk, 1)
	stationGlyph = chart.Dot(colour.Band, 4.5)
)

// Path draws emitters and paths from above, from the front and from the side,
// all to one scale, and for the eye from the front, the right and above.
func Path(d PathData) *Figure {
	f := &Figure{Title: d.Title, Note: d.Note, Legend: d.legend()}
	points := d.points()
	return scene(f, points, func(c draw.Canvas, at projection) {
		for _, t := range d.True {
			t.draw(c, at, trueLine, stationGlyph)
		}
		drawEmitters(c, at, d.Emitters)
		for i, t := range d.Estimated {
			ink := colour.Series[trackInk(i)]
			t.draw(c, at, chart.Stroke(ink, 1), estimateGlyph(ink))
		}
		names(c, at, d.Emitters, points)
	})
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

// trackInk starts with blue, darker than the band of the truth.
func trackInk(i int) int { return i % len(colour.Series) }

func estimateGlyph(ink color.Color) draw.GlyphStyle {
	return draw.GlyphStyle{Color: ink, Radius: 2.2, Shape: draw.CrossGlyph{}}
}

// points are all known positions of the drawing.
func (d PathData) points() []r3.Vec {
	all := emitterPoints(d.Emitters)
	for _, t := range slices.Concat(d.True, d.Estimated) {
		all = append(all, t.Points...)
	}
	return slices.DeleteFunc(all, func(p r3.Vec) bool { return !finite3(p) })
}

func emitterPoints(emitters []Emitter) (all []r3.Vec) {
	for _, e := range emitters {
		all = append(append(all, e.Center, r3.Add(e.Center, e.arrow())), e.Outline...)
	}
	return all
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
