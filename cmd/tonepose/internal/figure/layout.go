package figure

import (
	"image/color"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// entry is one line of a legend: a sample, drawn into a box, and its name.
type entry struct {
	name   string
	sample func(c draw.Canvas, box vg.Rectangle)
}

func lineEntry(name string, style draw.LineStyle) entry {
	return entry{name, func(c draw.Canvas, box vg.Rectangle) {
		y := (box.Min.Y + box.Max.Y) / 2
		c.StrokeLine2(style, box.Min.X, y, box.Max.X, y)
	}}
}

func glyphEntry(name string, style draw.GlyphStyle) entry {
	return entry{name, func(c draw.Canvas, box vg.Rectangle) {
		c.DrawGlyphNoClip(style, vg.Point{X: (box.Min.X + box.Max.X) / 2, Y: (box.Min.Y + box.Max.Y) / 2})
	}}
}

func areaEntry(name string, ink color.Color) entry {
	return entry{name, func(c draw.Canvas, box vg.Rectangle) {
		fill(c, ink, box)
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
	if f.title != "" {
		style := bold(lettering(titleSize, ink, draw.XLeft, draw.YTop))
		c.FillText(fitting(style, f.title, c.Max.X-c.Min.X), vg.Point{X: c.Min.X, Y: y}, f.title)
		y -= style.Height(f.title) + 3
	}
	if f.note != "" {
		style := lettering(smallSize, softInk, draw.XLeft, draw.YTop)
		c.FillText(fitting(style, f.note, c.Max.X-c.Min.X), vg.Point{X: c.Min.X, Y: y}, f.note)
		y -= style.Height(f.note) + 3
	}
	if len(f.legend) > 0 {
		y = legendRows(c, y-2, f.legend)
	}
	c.Max.Y = y - 4
	return c
}

// headerHeight is what header takes, with a legend of one row.
func (f *Figure) headerHeight() vg.Length {
	height := vg.Length(4)
	if f.title != "" {
		height += bold(lettering(titleSize, ink, 0, 0)).Height(f.title) + 3
	}
	if f.note != "" {
		height += lettering(smallSize, ink, 0, 0).Height(f.note) + 3
	}
	if len(f.legend) > 0 {
		height += 2 + lettering(tickSize, ink, 0, 0).Height("Mg") + 4
	}
	return height
}

// legendRows prints the entries side by side below y, in as many rows as the
// width needs, and returns the y below them.
func legendRows(c draw.Canvas, y vg.Length, entries []entry) vg.Length {
	style := lettering(tickSize, ink, draw.XLeft, draw.YCenter)
	height := style.Height("Mg") + 4
	x := c.Min.X
	for _, e := range entries {
		width := sampleWidth + 5 + style.Width(e.name)
		if x > c.Min.X && x+width > c.Max.X {
			x = c.Min.X
			y -= height
		}
		middle := y - height/2
		e.sample(c, box(x, middle-sampleHeight/2, x+sampleWidth, middle+sampleHeight/2))
		c.FillText(style, vg.Point{X: x + sampleWidth + 5, Y: middle + 1}, e.name)
		x += width + entryGap
	}
	return y - height
}

// edges are the widths that axes take beside the data.
type edges struct{ left, right, bottom, top vg.Length }

// edgesOf measures the axes of p when its data fill about r.
func edgesOf(p *plot.Plot, c draw.Canvas, r vg.Rectangle) edges {
	c.Rectangle = r
	d := p.DataCanvas(c)
	return edges{d.Min.X - r.Min.X, r.Max.X - d.Max.X, d.Min.Y - r.Min.Y, r.Max.Y - d.Max.Y}
}

// place draws p so that its data fill exactly the rectangle.
func place(p *plot.Plot, c draw.Canvas, data vg.Rectangle) {
	outer := data
	// Tick labels at the ends hang over by a share of their width that depends
	// on the panel's; the second round is exact to a fraction of a point.
	for range 3 {
		e := edgesOf(p, c, outer)
		outer = box(data.Min.X-e.left, data.Min.Y-e.bottom, data.Max.X+e.right, data.Max.Y+e.top)
	}
	c.Rectangle = outer
	p.Draw(c)
}

// room measures the axes of p as edgesOf does, but gives the far ends only what
// tick labels need there: the library takes a label on a log axis to stand
// where half of the sum of its ends is, near the far end.
func room(p *plot.Plot, c draw.Canvas) edges {
	e := edgesOf(p, c, c.Rectangle)
	x, y := p.X.Label.Text, p.Y.Label.Text
	p.X.Label.Text, p.Y.Label.Text = "", ""
	far := edgesOf(p, c, c.Rectangle)
	p.X.Label.Text, p.Y.Label.Text = x, y
	return edges{e.left, far.right, e.bottom, far.top}
}

// stack draws panels one below the other over c, their data aligned left and
// right, heights in proportion to shares. Only the lowest keeps its x labels.
func stack(c draw.Canvas, panels []*plot.Plot, shares []float64) {
	const gap = vg.Length(9)
	var all edges
	var total float64
	for i, p := range panels {
		if i < len(panels)-1 {
			p.X.Label.Text = ""
			p.X.Tick.Marker = unlabelled{p.X.Tick.Marker}
			p.X.Tick.Label.Font.Size = 0.1
		}
		e := room(p, c)
		all.left, all.right = max(all.left, e.left), max(all.right, e.right)
		all.bottom, all.top = e.bottom, max(all.top, e.top)
		total += shares[i]
	}
	bottom := c.Min.Y + all.bottom
	top := c.Max.Y - all.top
	free := top - bottom - gap*vg.Length(len(panels)-1)
	for i, p := range panels {
		height := free * vg.Length(shares[i]/total)
		place(p, c, box(c.Min.X+all.left, top-height, c.Max.X-all.right, top))
		top -= height + gap
	}
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
