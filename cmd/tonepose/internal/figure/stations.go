package figure

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// StationData is a sheet of a test plan, to be carried to the bench.
type StationData struct {
	Title, Note string

	Emitters []Emitter
	Panels   []StationPanel // of one page: drawn two in a row
	Min, Max r3.Vec         // what all panels show, from above [m]
}

// StationPanel is the stations at one height and in one attitude, in their order.
type StationPanel struct {
	Name   string // "z = 30 mm, upright"
	Axes   [3]r3.Vec
	Number []string
	Places []r3.Vec // [m, rig frame]
}

var orderLine = chart.Stroke(colour.Band, 3)

// Stations draws the places of each height and attitude from above, all to one scale, with
// their numbers along the line in which they follow each other, and how the sensor's axes
// point.
func Stations(d StationData) *Figure {
	const left, bottom, gapX, gapY, head = vg.Length(42), vg.Length(32), vg.Length(50), vg.Length(90), vg.Length(54)
	f := &Figure{Width: 7.2 * vg.Inch, Title: d.Title, Note: d.Note, Legend: []chart.Entry{
		chart.GlyphEntry("station", stationDot), chart.LineEntry("order", orderLine), chart.LineEntry("emitter", coilLine)}}
	width := (f.Width - 2*chart.Margin - left - gapX) / 2
	scale := width / vg.Length(d.Max.X-d.Min.X)
	height := vg.Length(d.Max.Y-d.Min.Y) * scale
	rows := vg.Length((len(d.Panels) + 1) / 2)
	f.Height = f.HeaderHeight() + 2*chart.Margin + rows*(head+height) + max(0, rows-1)*(gapY-head) + bottom
	f.Body = func(c draw.Canvas) {
		for i, panel := range d.Panels {
			x := c.Min.X + left + vg.Length(i%2)*(width+gapX)
			top := c.Max.Y - head - vg.Length(i/2)*(height+gapY)
			r := chart.Box(x, top-height, x+width, top)
			step := chart.NiceStep(float64(34 / scale))
			p := views[0].panel(d.Min, d.Max, scale, func(c draw.Canvas, at projection) { panel.draw(c, at, d.Emitters) })
			p.X.Tick.Marker, p.Y.Tick.Marker = steps{step}, steps{step}
			chart.Place(p, c, r)
			c.FillText(chart.Bold(chart.Lettering(chart.TickSize, colour.Ink, draw.XLeft, draw.YBottom)), vg.Point{X: r.Min.X, Y: r.Max.Y + 5}, panel.Name)
			panel.axes(c, vg.Point{X: r.Max.X - 26, Y: r.Max.Y + 25})
		}
	}
	return f
}

var stationDot = chart.Dot(colour.Blue, 2)

func (p *StationPanel) draw(c draw.Canvas, at projection, emitters []Emitter) {
	for _, e := range emitters {
		e.outlined(c, at, chart.Stroke(colour.FrameInk, 0.6))
	}
	var line, drawn []vg.Point
	for _, place := range p.Places {
		line = append(line, at(place))
		drawn = append(drawn, at(place))
	}
	if len(line) > 1 {
		c.StrokeLines(orderLine, line)
	}
	var l chart.Labels
	style := chart.Lettering(chart.SmallSize, colour.Ink, draw.XCenter, draw.YCenter)
	for _, pt := range line {
		c.DrawGlyphNoClip(stationDot, pt)
	}
	for i, pt := range line {
		side := style.Width(p.Number[i])/2 + 4
		l.Print(c, style, p.Number[i], []vg.Point{{X: pt.X, Y: pt.Y + 8}, {X: pt.X + side, Y: pt.Y}, {X: pt.X - side, Y: pt.Y}, {X: pt.X, Y: pt.Y - 8}}, drawn)
	}
}

// axes sketches about foot where the sensor's axes point, as seen from above: an arrow in
// the plane, a dot towards the eye, a cross away from it.
func (p *StationPanel) axes(c draw.Canvas, foot vg.Point) {
	style := chart.Lettering(chart.SmallSize, colour.Ink, draw.XCenter, draw.YCenter)
	var l chart.Labels
	free := []vg.Point{foot.Add(vg.Point{X: -8, Y: -8}), foot.Add(vg.Point{X: 8, Y: -8}), foot.Add(vg.Point{X: 8, Y: 8}), foot.Add(vg.Point{X: -8, Y: 8})}
	var arrows []vg.Point
	for i, axis := range p.Axes {
		flat := vg.Point{X: vg.Length(axis.X), Y: vg.Length(axis.Y)}
		if math.Hypot(axis.X, axis.Y) < 0.2 {
			continue
		}
		chart.Arrow(c, foot, foot.Add(flat.Scale(13)), chart.Stroke(colour.Ink, 1), 0.4)
		l.Print(c, style, "xyz"[i:i+1], []vg.Point{foot.Add(flat.Scale(19))}, nil)
		for k := range 8 {
			arrows = append(arrows, foot.Add(flat.Scale(2*vg.Length(k))))
		}
	}
	for i, axis := range p.Axes {
		if math.Hypot(axis.X, axis.Y) >= 0.2 {
			continue
		}
		var shape draw.GlyphDrawer = draw.CircleGlyph{}
		if axis.Z < 0 {
			shape = draw.CrossGlyph{}
		}
		c.DrawGlyphNoClip(draw.GlyphStyle{Color: colour.Ink, Radius: 2.6, Shape: shape}, foot)
		l.Print(c, style, "xyz"[i:i+1], free, arrows)
	}
}
