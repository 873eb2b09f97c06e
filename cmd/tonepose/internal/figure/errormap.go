package figure

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// ErrorMapData is the size of an error at each of many places and attitudes.
type ErrorMapData struct {
	Title, Note string

	Emitters   []Emitter
	Places     []r3.Vec  // [m, rig frame]
	Directions []r3.Vec  // of the sensor's axis in the rig frame, unit
	Size       []float64 // ≥ 0
	Quantity   string    // "position error"
	Unit       string    // "m"
}

// ErrorMap colours places in three views by the size of the error there, and the
// directions of the sensor's axis, on the whole sphere, in the corner. Larger
// errors are drawn on top.
func ErrorMap(d ErrorMapData) *Figure {
	base := PathData{Emitters: d.Emitters, True: []Track{{Points: d.Places}}}
	lo, hi := base.bounds()
	least, most, ok := span(true, d.Size)
	if !ok {
		least, most = 0.1, 1
	}
	log := most > 8*least // a few large errors would leave all else in one colour
	share := func(v float64) float64 { return v / most }
	if log {
		least = max(least, most/300)
		share = func(v float64) float64 { return math.Log(v/least) / math.Log(most/least) }
	}
	order := make([]int, len(d.Size))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case d.Size[a] < d.Size[b]:
			return -1
		case d.Size[a] > d.Size[b]:
			return 1
		}
		return 0
	})
	f := &Figure{title: d.Title, note: d.Note}
	radius := vg.Length(3.2)
	if len(d.Size) > 150 {
		radius = 2
	}
	dot := func(c draw.Canvas, at vg.Point, v float64) {
		c.DrawGlyphNoClip(draw.GlyphStyle{Color: Viridis.At(share(v)), Radius: radius, Shape: draw.CircleGlyph{}}, at)
		c.DrawGlyphNoClip(draw.GlyphStyle{Color: mix(Viridis.At(share(v)), black, 0.35), Radius: radius, Shape: draw.RingGlyph{}}, at)
	}
	f.threeViews(lo, hi, func(_ view, c draw.Canvas, at projection) {
		for _, e := range d.Emitters {
			e.draw(c, at)
		}
		for _, i := range order {
			if finite3(d.Places[i]) && !math.IsNaN(d.Size[i]) {
				dot(c, at(d.Places[i]), d.Size[i])
			}
		}
	}, func(c draw.Canvas, r vg.Rectangle) {
		unit, prefix := prefixOf(most)
		var marker plot.Ticker = linearTicks{unit: unit}
		from := 0.0
		if log {
			marker, from = logTicks{unit: unit, plain: true}, least
		}
		bar := vg.Rectangle{Min: vg.Point{X: r.Max.X - 48, Y: r.Min.Y + 24}, Max: vg.Point{X: r.Max.X - 38, Y: r.Max.Y - 18}}
		scaleBar(c, bar, Viridis, from, most, share, marker, d.Quantity+" ("+prefix+d.Unit+")")
		r.Max.X -= 62
		sphere(c, r, func(show func(direction r3.Vec, draw func(at vg.Point))) {
			for _, i := range order {
				if finite3(d.Directions[i]) && !math.IsNaN(d.Size[i]) {
					show(d.Directions[i], func(at vg.Point) { dot(c, at, d.Size[i]) })
				}
			}
		})
	})
	return f
}

// sphere draws the whole sphere of directions on a disc, equal areas staying
// equal: +z in the middle, −z all round the edge, x to the right.
//
// Source: Lambert's azimuthal projection, Snyder, Map Projections, USGS
// Professional Paper 1395 (1987), eq. (24-1): r = 2·sin(θ/2).
func sphere(c draw.Canvas, r vg.Rectangle, each func(show func(direction r3.Vec, draw func(at vg.Point)))) {
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
		c.StrokeLine2(stroke(gridInk, 0.5), centre.X-dx, centre.Y-dy, centre.X+dx, centre.Y+dy)
	}
	circle(math.Sin(math.Pi/8), stroke(gridInk, 0.5))
	circle(math.Sin(math.Pi/4), stroke(frameInk, 0.5)) // square to z
	circle(math.Sin(3*math.Pi/8), stroke(gridInk, 0.5))
	circle(1, stroke(frameInk, 0.6))
	small := lettering(smallSize, softInk, draw.XCenter, draw.YCenter)
	c.FillText(small, vg.Point{X: centre.X + radius + 8, Y: centre.Y}, "x")
	c.FillText(small, vg.Point{X: centre.X, Y: centre.Y + radius + 6}, "y")
	c.FillText(small, vg.Point{X: centre.X, Y: centre.Y - radius - 9}, "sensor's axis: +z in the middle, −z at the edge")
	each(func(d r3.Vec, show func(at vg.Point)) {
		across := math.Hypot(d.X, d.Y)
		out := math.Sin(math.Atan2(across, d.Z) / 2)
		if across == 0 {
			across = 1
		}
		show(vg.Point{X: centre.X + radius*vg.Length(out*d.X/across), Y: centre.Y + radius*vg.Length(out*d.Y/across)})
	})
}

// scaleBar is colorBar for any scale: share says where a value stands.
func scaleBar(c draw.Canvas, r vg.Rectangle, m ColorMap, lo, hi float64, share func(float64) float64, marker plot.Ticker, label string) {
	colorBar(c, r, m, 0, 1, scaled{marker, lo, hi, share}, label)
}

// scaled moves ticks of lo to hi to their share of the scale.
type scaled struct {
	plot.Ticker
	lo, hi float64
	share  func(float64) float64
}

// Ticks implements plot.Ticker.
func (s scaled) Ticks(_, _ float64) []plot.Tick {
	ticks := s.Ticker.Ticks(s.lo, s.hi)
	for i := range ticks {
		ticks[i].Value = s.share(ticks[i].Value)
	}
	return ticks
}
