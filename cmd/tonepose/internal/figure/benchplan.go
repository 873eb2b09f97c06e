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
	beforeLine = chart.Stroke(colour.Pale(colour.Vermillion), 1)
)

// Bench draws emitters and the working volume in three views and for the eye.
func Bench(d BenchData) *Figure {
	corner := func(i int) r3.Vec {
		p := d.Min
		if i&1 != 0 {
			p.X = d.Max.X
		}
		if i&2 != 0 {
			p.Y = d.Max.Y
		}
		if i&4 != 0 {
			p.Z = d.Max.Z
		}
		return p
	}
	var edges [][2]r3.Vec
	for i := range 8 {
		for _, bit := range []int{1, 2, 4} {
			if i&bit == 0 {
				edges = append(edges, [2]r3.Vec{corner(i), corner(i | bit)})
			}
		}
	}
	var about []r3.Vec // what the drawing must hold, and names keep clear of
	for _, e := range edges {
		const points = 128
		for k := range points + 1 {
			about = append(about, r3.Add(e[0], r3.Scale(float64(k)/points, r3.Sub(e[1], e[0]))))
		}
	}
	for _, e := range d.Before {
		about = append(about, e.Outline...)
	}
	now := PathData{Emitters: d.Emitters, True: []Track{{Points: about}}}
	lo, hi := now.bounds()
	show := func(c draw.Canvas, at projection) {
		for _, e := range edges {
			from, to := at(e[0]), at(e[1])
			c.StrokeLine2(volumeLine, from.X, from.Y, to.X, to.Y)
		}
		for _, e := range d.Before {
			e.outlined(c, at, beforeLine)
		}
		for _, e := range d.Emitters {
			e.draw(c, at)
		}
		now.names(c, at)
	}
	f := &Figure{Title: d.Title, Note: d.Note, Legend: []chart.Entry{chart.LineEntry("emitter, arrow along its field", coilLine)}}
	if len(d.Before) > 0 {
		f.Legend = append(f.Legend, chart.LineEntry("before", beforeLine))
	}
	f.Legend = append(f.Legend, chart.LineEntry("working volume", volumeLine))
	threeViews(f, lo, hi, func(_ view, c draw.Canvas, at projection) { show(c, at) },
		func(c draw.Canvas, r vg.Rectangle) { now.obliqueOf(c, r, show) })
	return f
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
