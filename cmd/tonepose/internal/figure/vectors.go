package figure

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// VectorData is an error at each of many positions.
type VectorData struct {
	Title, Note string

	Emitters  []Emitter
	Positions []r3.Vec // [m, rig frame]
	Errors    []r3.Vec // [m], of the length of Positions
	Doubtful  []bool   // of the same length, or nil: of a flagged pose
}

var (
	doubtfulInk = colour.Alarm
	vectorInk   = colour.Blue
)

// Vectors draws errors as arrows from the true positions, many times enlarged, in
// three views, and how the magnification reads.
func Vectors(d VectorData) *Figure {
	points := PathData{Emitters: d.Emitters, True: []Track{{Points: d.Positions}}}.points()
	factor := d.factor(bounds(points))
	tip := func(i int) r3.Vec { return r3.Add(d.Positions[i], r3.Scale(factor, d.Errors[i])) }
	for i := range d.Positions {
		if finite3(tip(i)) {
			points = append(points, tip(i))
		}
	}
	f := &Figure{Title: d.Title, Note: d.Note}
	f.Legend = []chart.Entry{
		chart.GlyphEntry("true position", chart.Dot(colour.SoftInk, 1.2)),
		chart.ArrowEntry(fmt.Sprintf("error, %s times enlarged", chart.Number(factor, max(0, -int(math.Floor(math.Log10(factor)+1e-9))))), vectorInk),
	}
	if slices.Contains(d.Doubtful, true) {
		f.Legend = append(f.Legend, chart.ArrowEntry("of a flagged pose", doubtfulInk))
	}
	if len(d.Emitters) > 0 {
		f.Legend = append(f.Legend, chart.LineEntry("emitter", coilLine))
	}
	return scene(f, points, func(c draw.Canvas, at projection) {
		drawEmitters(c, at, d.Emitters)
		for i, p := range d.Positions {
			if !finite3(tip(i)) {
				continue
			}
			ink := vectorInk
			if d.Doubtful != nil && d.Doubtful[i] {
				ink = doubtfulInk
			}
			from := at(p)
			c.DrawGlyph(chart.Dot(colour.SoftInk, 1.2), from)
			chart.Arrow(c, from, at(tip(i)), chart.Stroke(ink, 0.9), 0.4)
		}
		names(c, at, d.Emitters, points)
	})
}

// factor enlarges the 90th percentile of the errors to a twelfth of the box, to
// 1, 2 or 5 times a power of ten.
func (d VectorData) factor(lo, hi r3.Vec) float64 {
	var size []float64
	for _, e := range d.Errors {
		if finite3(e) && r3.Norm(e) > 0 {
			size = append(size, r3.Norm(e))
		}
	}
	if len(size) == 0 {
		return 1
	}
	slices.Sort(size)
	box := r3.Sub(hi, lo)
	want := max(box.X, box.Y, box.Z) / 12 / size[len(size)*9/10]
	power := math.Pow(10, math.Floor(math.Log10(want)))
	for _, m := range []float64{5, 2, 1} {
		if m*power <= want {
			return m * power
		}
	}
	return power
}

func finite3(v r3.Vec) bool { s := v.X + v.Y + v.Z; return s-s == 0 }
