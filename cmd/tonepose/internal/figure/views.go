package figure

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// view is a projection along one axis of the rig frame.
type view struct {
	name   string
	x, y   string
	across func(r3.Vec) float64
	up     func(r3.Vec) float64
}

func alongX(v r3.Vec) float64 { return v.X }
func alongY(v r3.Vec) float64 { return v.Y }
func alongZ(v r3.Vec) float64 { return v.Z }

var views = [3]view{
	{"top", "x (mm)", "y (mm)", alongX, alongY},
	{"front", "x (mm)", "z (mm)", alongX, alongZ},
	{"side", "y (mm)", "z (mm)", alongY, alongZ},
}

// projection takes a position on the bench to the paper.
type projection func(r3.Vec) vg.Point

// scene makes f show what show draws, about these points: in three views, and at
// the upper right as seen from the front (−y), 30° to the right and 25° above,
// without axes but with their directions.
func scene(f *Figure, points []r3.Vec, show func(c draw.Canvas, at projection)) *Figure {
	return threeViews(f, points, show, func(c draw.Canvas, r vg.Rectangle) { oblique(c, r, points, show) })
}

// bounds is the box around points, widened for air and arrows.
func bounds(points []r3.Vec) (lo, hi r3.Vec) {
	for i, p := range points {
		if i == 0 {
			lo, hi = p, p
		}
		lo = r3.Vec{X: min(lo.X, p.X), Y: min(lo.Y, p.Y), Z: min(lo.Z, p.Z)}
		hi = r3.Vec{X: max(hi.X, p.X), Y: max(hi.Y, p.Y), Z: max(hi.Z, p.Z)}
	}
	air := 0.06*max(hi.X-lo.X, hi.Y-lo.Y, hi.Z-lo.Z) + 1e-3
	edge := r3.Vec{X: air, Y: air, Z: air}
	return r3.Sub(lo, edge), r3.Add(hi, edge)
}

// threeViews makes f show the box around points [m] from above, from the front
// and from the side, all to one scale. The views share their axes: x runs down
// from the top view to the front view, z from the front view to the side view.
// show draws one view; corner what is at the upper right.
func threeViews(f *Figure, points []r3.Vec, show func(c draw.Canvas, at projection), corner func(c draw.Canvas, r vg.Rectangle)) *Figure {
	lo, hi := bounds(points)
	size := r3.Sub(hi, lo)
	const width = 7.2 * vg.Inch
	const left, right, gap, bottom = vg.Length(46), vg.Length(12), vg.Length(46), vg.Length(36)
	scale := (width - 2*chart.Margin - left - right - gap) / vg.Length(size.X+size.Y) // points per metre
	high := vg.Length(size.Z) * scale
	deep := vg.Length(size.Y) * scale
	f.Width = width
	f.Height = f.HeaderHeight() + 2*chart.Margin + 14 + deep + gap + high + bottom
	f.Body = func(c draw.Canvas) {
		top := c.Max.Y - 14
		x0, x1 := c.Min.X+left, c.Min.X+left+vg.Length(size.X)*scale
		y0, y1 := x1+gap, x1+gap+deep
		low := top - deep - gap - high
		rects := [3]vg.Rectangle{
			chart.Box(x0, top-deep, x1, top), chart.Box(x0, low, x1, low+high), chart.Box(y0, low, y1, low+high),
		}
		for i, v := range views {
			chart.Place(v.panel(lo, hi, scale, show), c, rects[i])
			c.FillText(chart.Bold(chart.Lettering(chart.SmallSize, colour.SoftInk, draw.XLeft, draw.YBottom)),
				vg.Point{X: rects[i].Min.X, Y: rects[i].Max.Y + 3}, v.name)
		}
		corner(c, chart.Box(y0-gap/2, top-deep-gap/2, y1, top+14))
	}
	return f
}

// oblique draws the view of scene's corner in r.
func oblique(c draw.Canvas, r vg.Rectangle, points []r3.Vec, show func(c draw.Canvas, at projection)) {
	sinA, cosA := math.Sincos(math.Pi / 6)
	sinE, cosE := math.Sincos(25 * math.Pi / 180)
	across := func(p r3.Vec) float64 { return cosA*p.X + sinA*p.Y }
	up := func(p r3.Vec) float64 { return sinE*(cosA*p.Y-sinA*p.X) + cosE*p.Z }

	var xs, ys []float64
	for _, p := range points {
		xs, ys = append(xs, across(p)), append(ys, up(p))
	}
	x0, x1, ok := chart.Span(false, xs)
	y0, y1, _ := chart.Span(false, ys)
	if !ok || x0 == x1 || y0 == y1 {
		return
	}
	size := r.Size()
	scale := 0.92 * min(float64(size.X)/(x1-x0), float64(size.Y)/(y1-y0))
	centre := chart.Centre(r)
	c.Rectangle = r
	show(c, func(p r3.Vec) vg.Point {
		return centre.Add(vg.Point{X: vg.Length(scale * (across(p) - (x0+x1)/2)), Y: vg.Length(scale * (up(p) - (y0+y1)/2))})
	})
	foot := vg.Point{X: r.Min.X + 16, Y: r.Max.Y - 30}
	style := chart.Lettering(chart.SmallSize, colour.SoftInk, draw.XCenter, draw.YCenter)
	for i, v := range []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
		tip := vg.Point{X: vg.Length(across(v)), Y: vg.Length(up(v))}
		c.StrokeLines(chart.Stroke(colour.SoftInk, 0.8), []vg.Point{foot, foot.Add(tip.Scale(16))})
		c.FillText(style, foot.Add(tip.Scale(22)), "xyz"[i:i+1])
	}
}

func (v view) panel(lo, hi r3.Vec, scale vg.Length, show func(c draw.Canvas, at projection)) *plot.Plot {
	p := chart.NewPlot(v.x, v.y)
	p.X.Min, p.X.Max = v.across(lo), v.across(hi)
	p.Y.Min, p.Y.Max = v.up(lo), v.up(hi)
	// One step on both axes: squares of grid show that the scales are equal.
	step := chart.NiceStep(float64(24 / scale))
	p.X.Tick.Marker, p.Y.Tick.Marker = steps{step}, steps{step}
	p.Add(chart.Drawing(func(c draw.Canvas, _ *plot.Plot, x, y func(float64) vg.Length) {
		show(c, func(q r3.Vec) vg.Point { return vg.Point{X: x(v.across(q)), Y: y(v.up(q))} })
	}))
	return p
}

// steps has ticks at the multiples of a step [m], labelled in millimetres.
type steps struct{ step float64 }

// Ticks implements plot.Ticker.
func (s steps) Ticks(lo, hi float64) []plot.Tick {
	return chart.LinearTicks{Unit: 1e-3, Count: max(1, int(math.Round((hi-lo)/s.step)))}.Ticks(lo, lo+s.step*math.Round((hi-lo)/s.step))
}
