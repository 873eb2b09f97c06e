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

// ErrorMapData is the size of an error at each of many positions and orientations.
type ErrorMapData struct {
	Title, Note string

	Emitters   []Emitter
	Positions  []r3.Vec  // [m, rig frame]
	Directions []r3.Vec  // of the sensor's axis in the rig frame, unit
	Size       []float64 // ≥ 0
	Quantity   string    // "position error"
	Unit       string    // "m"
}

// ErrorMap colours positions in three views by the size of the error there, and the
// directions of the sensor's axis, on the whole sphere, in the corner. Larger
// errors are drawn on top.
func ErrorMap(d ErrorMapData) *Figure {
	points := PathData{Emitters: d.Emitters, True: []Track{{Points: d.Positions}}}.points()
	least, most := chart.SpanOr(true, 0.1, 1, d.Size)
	unit, name := chart.Scale(most, d.Unit)
	var marker plot.Ticker = chart.LinearTicks{Unit: unit}
	scale, from := chart.Linear, 0.0
	share := func(v float64) float64 { return v / most }
	if most > 8*least { // a few large errors would leave all else in one colour
		least = max(least, most/300)
		marker, scale, from = chart.LogTicks{Unit: unit}, math.Log, least
		share = func(v float64) float64 { return math.Log(v/least) / math.Log(most/least) }
	}
	order := chart.Rising(len(d.Size), func(i int) float64 { return d.Size[i] })
	f := &Figure{Title: d.Title, Note: d.Note}
	radius := vg.Length(3.2)
	if len(d.Size) > 150 {
		radius = 2
	}
	mark := func(c draw.Canvas, at vg.Point, v float64) {
		c.DrawGlyphNoClip(chart.Dot(colour.Size.At(share(v)), radius), at)
		c.DrawGlyphNoClip(draw.GlyphStyle{Color: colour.Mix(colour.Size.At(share(v)), colour.Black, 0.35), Radius: radius, Shape: draw.RingGlyph{}}, at)
	}
	return threeViews(f, points, func(c draw.Canvas, at projection) {
		drawEmitters(c, at, d.Emitters)
		for _, i := range order {
			if finite3(d.Positions[i]) && !math.IsNaN(d.Size[i]) {
				mark(c, at(d.Positions[i]), d.Size[i])
			}
		}
		names(c, at, d.Emitters, points)
	}, func(c draw.Canvas, r vg.Rectangle) {
		r.Max.X -= 62
		chart.ColourBar(c, chart.Box(r.Min.X, r.Min.Y+24, r.Max.X, r.Max.Y-18), colour.Size, from, most, scale, marker, chart.In(d.Quantity, name))
		at := sphere(c, r)
		for _, i := range order {
			if finite3(d.Directions[i]) && !math.IsNaN(d.Size[i]) {
				mark(c, at(d.Directions[i]), d.Size[i])
			}
		}
	})
}

// sphere draws, and returns how to draw on it, the whole sphere of directions on a disc, equal areas staying
// equal: +z in the middle, −z all round the edge, x to the right.
//
// Source: Lambert's azimuthal projection, Snyder, Map Projections, USGS
// Professional Paper 1395 (1987), eq. (24-1): r = 2·sin(θ/2).
func sphere(c draw.Canvas, r vg.Rectangle) projection {
	size := r.Size()
	radius := min(size.X, size.Y-26) / 2
	centre := vg.Point{X: (r.Min.X + r.Max.X) / 2, Y: (r.Min.Y+r.Max.Y)/2 + 2}
	circle := func(share float64, style draw.LineStyle) {
		var line []vg.Point
		for k := range 97 {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 96)
			line = append(line, vg.Point{X: centre.X + radius*vg.Length(share*cos), Y: centre.Y + radius*vg.Length(share*sin)})
		}
		c.StrokeLines(style, line)
	}
	for k := range 4 {
		sin, cos := math.Sincos(math.Pi / 4 * float64(k))
		dx, dy := radius*vg.Length(cos), radius*vg.Length(sin)
		c.StrokeLine2(chart.Stroke(colour.GridInk, 0.5), centre.X-dx, centre.Y-dy, centre.X+dx, centre.Y+dy)
	}
	circle(math.Sin(math.Pi/8), chart.Stroke(colour.GridInk, 0.5))
	circle(math.Sin(math.Pi/4), chart.Stroke(colour.FrameInk, 0.5)) // square to z
	circle(math.Sin(3*math.Pi/8), chart.Stroke(colour.GridInk, 0.5))
	circle(1, chart.Stroke(colour.FrameInk, 0.6))
	small := chart.Lettering(chart.SmallSize, colour.SoftInk, draw.XCenter, draw.YCenter)
	c.FillText(small, vg.Point{X: centre.X + radius + 8, Y: centre.Y}, "x")
	c.FillText(small, vg.Point{X: centre.X, Y: centre.Y + radius + 6}, "y")
	c.FillText(small, vg.Point{X: centre.X, Y: centre.Y - radius - 9}, "sensor's axis: +z in the middle, −z at the edge")
	return func(d r3.Vec) vg.Point {
		across := math.Hypot(d.X, d.Y)
		out := math.Sin(math.Atan2(across, d.Z) / 2)
		if across == 0 {
			across = 1
		}
		return vg.Point{X: centre.X + radius*vg.Length(out*d.X/across), Y: centre.Y + radius*vg.Length(out*d.Y/across)}
	}
}
