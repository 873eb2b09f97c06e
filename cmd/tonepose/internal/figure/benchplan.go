package figure

import (
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// BenchData is where a bench's emitters stand about its working volume.
type BenchData struct {
	Title, Note string

	Emitters []Emitter
	Before   []Emitter // where they stood, if they were moved; drawn pale, without names
	Min, Max r3.Vec    // of the working volume [m]
}

var (
	volumeLine = chart.Dashed(colour.Blue, 0.9)
	beforeLine = chart.Stroke(colour.Pale(colour.Orange), 1)
)

// Bench draws emitters and the working volume in three views and for the eye.
func Bench(d BenchData) *Figure {
	ends := [2]r3.Vec{d.Min, d.Max}
	corner := func(i int) r3.Vec { return r3.Vec{X: ends[i&1].X, Y: ends[i>>1&1].Y, Z: ends[i>>2&1].Z} }
	var edges [][2]r3.Vec
	for i := range 8 {
		for _, bit := range []int{1, 2, 4} {
			if i&bit == 0 {
				edges = append(edges, [2]r3.Vec{corner(i), corner(i | bit)})
			}
		}
	}
	points := emitterPoints(d.Emitters) // what the drawing must hold, and names keep clear of
	for _, e := range d.Before {
		points = append(points, e.Outline...)
	}
	for _, e := range edges {
		const parts = 128
		for k := range parts + 1 {
			points = append(points, r3.Add(e[0], r3.Scale(float64(k)/parts, r3.Sub(e[1], e[0]))))
		}
	}
	f := &Figure{Title: d.Title, Note: d.Note, Legend: []chart.Entry{chart.LineEntry("emitter, arrow along its field", coilLine)}}
	if len(d.Before) > 0 {
		f.Legend = append(f.Legend, chart.LineEntry("before", beforeLine))
	}
	f.Legend = append(f.Legend, chart.LineEntry("working volume", volumeLine))
	return scene(f, points, func(c draw.Canvas, at projection) {
		for _, e := range edges {
			from, to := at(e[0]), at(e[1])
			c.StrokeLine2(volumeLine, from.X, from.Y, to.X, to.Y)
		}
		for _, e := range d.Before {
			e.outlined(c, at, beforeLine)
		}
		drawEmitters(c, at, d.Emitters)
		names(c, at, d.Emitters, points)
	})
}

// outlined draws the outline alone.
func (e Emitter) outlined(c draw.Canvas, at projection, style draw.LineStyle) {
	if len(e.Outline) == 0 {
		return
	}
	var loop []vg.Point
	for _, p := range e.Outline {
		loop = append(loop, at(p))
	}
	c.StrokeLines(style, append(loop, loop[0]))
}
