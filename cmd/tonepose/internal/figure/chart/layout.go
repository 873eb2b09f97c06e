package chart

import (
	"image/color"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/colour"
)

// Entry is one line of a legend: a sample, drawn into a box, and its name.
type Entry struct {
	name   string
	sample func(c draw.Canvas, box vg.Rectangle)
}

// LineEntry, GlyphEntry, AreaEntry and ArrowEntry show one thing of a drawing.
func LineEntry(name string, style draw.LineStyle) Entry {
	return Entry{name, func(c draw.Canvas, box vg.Rectangle) {
		y := (box.Min.Y + box.Max.Y) / 2
		c.StrokeLine2(style, box.Min.X, y, box.Max.X, y)
	}}
}

func GlyphEntry(name string, style draw.GlyphStyle) Entry {
	return Entry{name, func(c draw.Canvas, box vg.Rectangle) {
		c.DrawGlyphNoClip(style, vg.Point{X: (box.Min.X + box.Max.X) / 2, Y: (box.Min.Y + box.Max.Y) / 2})
	}}
}

func AreaEntry(name string, ink color.Color) Entry {
	return Entry{name, func(c draw.Canvas, box vg.Rectangle) {
		Fill(c, ink, box)
	}}
}

func ArrowEntry(name string, ink color.Color) Entry {
	return Entry{name, func(c draw.Canvas, box vg.Rectangle) {
		y := (box.Min.Y + box.Max.Y) / 2
		Arrow(c, vg.Point{X: box.Min.X, Y: y}, vg.Point{X: box.Max.X, Y: y}, Stroke(ink, 0.9), 0.4)
	}}
}

const (
	sampleWidth  = vg.Length(16)
	sampleHeight = vg.Length(7)
	entryGap     = vg.Length(14)
)

// header prints title, note and legend from the top of c, left-aligned, lines
// that would be too long smaller, and returns what is left below.
func (f *Figure) header(c draw.Canvas) draw.Canvas {
	y := c.Max.Y
	if f.Title != "" && !f.untitled {
		style := Bold(Lettering(titleSize, colour.Ink, draw.XLeft, draw.YTop))
		c.FillText(fitting(style, f.Title, c.Max.X-c.Min.X), vg.Point{X: c.Min.X, Y: y}, f.Title)
		y -= style.Height(f.Title) + 3
	}
	if f.Note != "" && !f.untitled {
		style := Lettering(SmallSize, colour.SoftInk, draw.XLeft, draw.YTop)
		c.FillText(fitting(style, f.Note, c.Max.X-c.Min.X), vg.Point{X: c.Min.X, Y: y}, f.Note)
		y -= style.Height(f.Note) + 3
	}
	if len(f.Legend) > 0 {
		y = legendRows(c, y-2, f.Legend)
	}
	c.Max.Y = y - 4
	return c
}

// HeaderHeight is what header takes, with a legend of one row.
func (f *Figure) HeaderHeight() vg.Length {
	height := vg.Length(4)
	if f.Title != "" && !f.untitled {
		height += Bold(Lettering(titleSize, colour.Ink, 0, 0)).Height(f.Title) + 3
	}
	if f.Note != "" && !f.untitled {
		height += Lettering(SmallSize, colour.Ink, 0, 0).Height(f.Note) + 3
	}
	if len(f.Legend) > 0 {
		height += 2 + Lettering(TickSize, colour.Ink, 0, 0).Height("Mg") + 4
	}
	return height
}

// legendRows prints the entries side by side below y, in as many rows as the
// width needs, and returns the y below them.
func legendRows(c draw.Canvas, y vg.Length, entries []Entry) vg.Length {
	style := Lettering(TickSize, colour.Ink, draw.XLeft, draw.YCenter)
	height := style.Height("Mg") + 4
	x := c.Min.X
	for _, e := range entries {
		width := sampleWidth + 5 + style.Width(e.name)
		if x > c.Min.X && x+width > c.Max.X {
			x = c.Min.X
			y -= height
		}
		middle := y - height/2
		e.sample(c, Box(x, middle-sampleHeight/2, x+sampleWidth, middle+sampleHeight/2))
		c.FillText(style, vg.Point{X: x + sampleWidth + 5, Y: middle + 1}, e.name)
		x += width + entryGap
	}
	return y - height
}

// edges are the widths that axes take beside the data.
type edges struct{ Left, Right, Bottom, Top vg.Length }

// edgesOf measures the axes of p when its data fill about r.
func edgesOf(p *plot.Plot, c draw.Canvas, r vg.Rectangle) edges {
	c.Rectangle = r
	d := p.DataCanvas(c)
	return edges{d.Min.X - r.Min.X, r.Max.X - d.Max.X, d.Min.Y - r.Min.Y, r.Max.Y - d.Max.Y}
}

// Place draws p so that its data fill exactly the rectangle.
func Place(p *plot.Plot, c draw.Canvas, data vg.Rectangle) {
	outer := data
	// Tick labels at the ends hang over by a share of their width that depends
	// on the panel's; the second round is exact to a fraction of a point.
	for range 3 {
		e := edgesOf(p, c, outer)
		outer = Box(data.Min.X-e.Left, data.Min.Y-e.Bottom, data.Max.X+e.Right, data.Max.Y+e.Top)
	}
	c.Rectangle = outer
	p.Draw(c)
}

// Room measures the axes of p as edgesOf does, but gives the far ends only what
// tick labels need there: the library takes a label on a log axis to be
// where half of the sum of its ends is, near the far end.
func Room(p *plot.Plot, c draw.Canvas) edges {
	e := edgesOf(p, c, c.Rectangle)
	x, y := p.X.Label.Text, p.Y.Label.Text
	p.X.Label.Text, p.Y.Label.Text = "", ""
	far := edgesOf(p, c, c.Rectangle)
	p.X.Label.Text, p.Y.Label.Text = x, y
	return edges{e.Left, far.Right, e.Bottom, far.Top}
}

// Stack draws panels one below the other over c, their data aligned left and
// right, heights in proportion to shares. Only the lowest keeps its x labels. It returns
// where the data of each are.
func Stack(c draw.Canvas, panels []*plot.Plot, shares []float64) (data []vg.Rectangle) {
	const gap = vg.Length(9)
	var all edges
	var total float64
	for i, p := range panels {
		if i < len(panels)-1 {
			p.X.Label.Text = ""
			p.X.Tick.Marker = unlabelled{p.X.Tick.Marker}
			p.X.Tick.Label.Font.Size = 0.1
		}
		e := Room(p, c)
		all.Left, all.Right = max(all.Left, e.Left), max(all.Right, e.Right)
		all.Bottom, all.Top = e.Bottom, max(all.Top, e.Top)
		total += shares[i]
	}
	bottom := c.Min.Y + all.Bottom
	top := c.Max.Y - all.Top
	free := top - bottom - gap*vg.Length(len(panels)-1)
	for i, p := range panels {
		height := free * vg.Length(shares[i]/total)
		data = append(data, Box(c.Min.X+all.Left, top-height, c.Max.X-all.Right, top))
		Place(p, c, data[i])
		top -= height + gap
	}
	return data
}

// unlabelled keeps the grid of its ticker and prints nothing.
type unlabelled struct{ plot.Ticker }

// Ticks implements plot.Ticker.
func (u unlabelled) Ticks(lo, hi float64) []plot.Tick {
	ticks := u.Ticker.Ticks(lo, hi)
	for i := range ticks {
		if !ticks[i].IsMinor() {
			ticks[i].Label = " "
		}
	}
	return ticks
}
