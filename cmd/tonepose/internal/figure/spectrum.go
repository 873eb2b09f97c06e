package figure

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// Mark names a line of a spectrum.
type Mark struct {
	Hz   float64
	Name string // empty: its frequency is printed
}

// SpectrumData is one or more spectra over the same frequencies.
type SpectrumData struct {
	Title, Note string

	Hz       []float64 // rising
	Channels []Channel
	Unit     string // "V"; empty: shares of full scale

	Tones []Mark    // of the emitters: named above the panels, a pale line through all
	Mains []float64 // [Hz], the harmonics that are worth a mark

	MinHz, MaxHz float64 // shown
}

// Channel is one spectrum, of Hz's length.
type Channel struct {
	Name    string
	Density []float64
	Lines   []Mark // neither tones nor mains: an open triangle and the name beside each
}

var (
	toneMark  = chart.Stroke(colour.Mix(colour.FrameInk, colour.White, 0.4), 0.7)
	mainsMark = draw.GlyphStyle{Color: colour.Ink, Radius: 2.4, Shape: draw.BoxGlyph{}}
	lineMark  = draw.GlyphStyle{Color: colour.Ink, Radius: 3, Shape: draw.TriangleGlyph{}}
)

// Spectrum draws the spectrum of each channel in a strip of its own, so that none hides
// another, all on the same axes.
func Spectrum(d SpectrumData) *Figure {
	n := vg.Length(max(1, len(d.Channels)))
	strip := min(2.9*vg.Inch, max(0.62*vg.Inch, 4.4*vg.Inch/n))
	f := &Figure{Width: 7.2 * vg.Inch, Title: d.Title, Note: d.Note}
	if len(d.Tones) > 0 {
		f.Legend = append(f.Legend, chart.LineEntry("tone of an emitter", toneMark))
	}
	if len(d.Mains) > 0 {
		f.Legend = append(f.Legend, chart.GlyphEntry("mains harmonic", mainsMark))
	}
	if slices.ContainsFunc(d.Channels, func(c Channel) bool { return len(c.Lines) > 0 }) {
		f.Legend = append(f.Legend, chart.GlyphEntry("other line", lineMark))
	}
	f.Height = f.HeaderHeight() + strip*n + 0.95*vg.Inch
	f.Body = d.draw
	return f
}

// densities is the range of all densities shown.
func (d SpectrumData) densities() (lo, hi float64) {
	var shown [][]float64
	first, _ := slices.BinarySearch(d.Hz, d.lowest())
	last, found := slices.BinarySearch(d.Hz, d.MaxHz)
	if found {
		last++
	}
	for _, ch := range d.Channels {
		shown = append(shown, ch.Density[first:last])
	}
	lo, hi = chart.SpanOr(true, 1e-9, 1e-6, shown...)
	return lo / 1.5, hi * 2.5
}

func (d SpectrumData) quantity() string {
	if d.Unit == "" {
		return "density, of full scale"
	}
	return "spectral density"
}

func (d SpectrumData) lowest() float64 {
	return max(d.MinHz, d.MaxHz/1e4, math.SmallestNonzeroFloat64)
}

func (d SpectrumData) panel(ch *Channel, lo, hi, unit float64) *plot.Plot {
	p := chart.NewPlot("", "")
	p.X.Scale, p.X.Tick.Marker = plot.LogScale{}, chart.LogTicks{}
	p.X.Min, p.X.Max = d.lowest(), d.MaxHz
	p.Y.Scale, p.Y.Tick.Marker = plot.LogScale{}, sparse{chart.LogTicks{Unit: unit}, len(d.Channels)}
	p.Y.Min, p.Y.Max = lo, hi
	p.Add(chart.Drawing(func(c draw.Canvas, p *plot.Plot, x, _ func(float64) vg.Length) {
		for _, m := range d.Tones {
			if at := x(m.Hz); d.shows(m.Hz) {
				c.StrokeLine2(toneMark, at, c.Min.Y, at, c.Max.Y)
			}
		}
	}))
	if ch == nil {
		return p
	}
	p.Add(chart.Curve(d.Hz, ch.Density, chart.Stroke(colour.Blue, 0.7)))
	p.Add(chart.Drawing(func(c draw.Canvas, p *plot.Plot, x, y func(float64) vg.Length) { d.mark(c, ch, x, y) }))
	return p
}

func (d SpectrumData) shows(hz float64) bool { return hz >= d.lowest() && hz <= d.MaxHz }

// mark names the channel and marks lines above their peaks.
func (d SpectrumData) mark(c draw.Canvas, ch *Channel, x, y func(float64) vg.Length) {
	style := chart.Lettering(chart.SmallSize, colour.Ink, draw.XCenter, draw.YCenter)
	name := chart.Bold(style)
	var names chart.Labels
	names.Print(c, name, ch.Name, []vg.Point{{X: c.Min.X + 6 + name.Width(ch.Name)/2, Y: c.Max.Y - 9}}, nil)
	above := func(hz float64) vg.Point { return vg.Point{X: x(hz), Y: min(y(ch.top(d.Hz, hz))+6, c.Max.Y-4)} }
	var drawn []vg.Point // what names keep clear of
	for _, m := range d.Tones {
		for at := c.Min.Y; d.shows(m.Hz) && at < c.Max.Y; at += 3 {
			drawn = append(drawn, vg.Point{X: x(m.Hz), Y: at})
		}
	}
	last := vg.Length(math.Inf(-1))
	for _, hz := range d.Mains { // those far apart enough to be told apart
		if d.shows(hz) && ch.stands(d.Hz, hz) && x(hz)-last > 8 {
			last = x(hz)
			c.DrawGlyphNoClip(mainsMark, above(hz))
			drawn = append(drawn, above(hz))
		}
	}
	lines := slices.DeleteFunc(slices.Clone(ch.Lines), func(m Mark) bool { return !d.shows(m.Hz) })
	for _, m := range lines {
		c.DrawGlyphNoClip(lineMark, above(m.Hz))
		drawn = append(drawn, above(m.Hz))
	}
	for _, m := range lines {
		at, text := above(m.Hz), cmp.Or(m.Name, chart.WithPrefix(m.Hz, "Hz"))
		aside := style.Width(text)/2 + 6
		places := []vg.Point{{X: at.X + aside, Y: at.Y}, {X: at.X - aside, Y: at.Y}, {X: at.X, Y: at.Y + 9}, {X: at.X + aside, Y: at.Y + 8},
			{X: at.X - aside, Y: at.Y + 8}, {X: at.X + aside, Y: at.Y + 16}, {X: at.X - aside, Y: at.Y + 16}}
		if room, ok := names.Reserve(c, style, text, places, drawn); ok {
			chart.Fill(c, colour.White, room)
			c.FillText(style, chart.Centre(room), text)
		}
	}
}

// top is the largest density at hz or beside it, 0 if none.
func (ch *Channel) top(all []float64, hz float64) float64 {
	i, _ := slices.BinarySearch(all, hz)
	_, top := chart.SpanOr(true, 0, 0, ch.Density[max(0, i-2):min(len(all), i+3)])
	return top
}

// stands tells whether a line at hz rises above what is about it.
func (ch *Channel) stands(all []float64, hz float64) bool {
	from, _ := slices.BinarySearch(all, 0.8*hz)
	to, _ := slices.BinarySearch(all, 1.25*hz)
	low, _ := chart.SpanOr(true, math.Inf(1), 0, ch.Density[max(0, min(from, to-6)):to])
	return ch.top(all, hz) > 3*low
}

// draw stacks the strips, names the tones above them, and leaves the lowest its axis.
func (d SpectrumData) draw(c draw.Canvas) {
	lo, hi := d.densities()
	unit, name := chart.Scale(math.Sqrt(lo*hi), d.Unit)
	axis := chart.Lettering(chart.LabelSize, colour.Ink, draw.XCenter, draw.YTop)
	axis.Rotation = math.Pi / 2
	c.FillText(axis, vg.Point{X: c.Min.X, Y: (c.Min.Y + c.Max.Y) / 2}, d.quantity()+" ("+cmp.Or(name, "1")+"/√Hz)")
	c.Min.X += axis.Height("Mg") + 4
	var panels []*plot.Plot
	var shares []float64
	for i := range d.Channels {
		panels, shares = append(panels, d.panel(&d.Channels[i], lo, hi, unit)), append(shares, 1)
	}
	if len(panels) == 0 {
		panels, shares = append(panels, d.panel(nil, lo, hi, unit)), append(shares, 1)
	}
	panels[len(panels)-1].X.Label.Text = "frequency (Hz)"
	const leader = vg.Length(14)
	style := chart.Lettering(chart.SmallSize, colour.SoftInk, draw.XCenter, draw.YBottom)
	if len(d.Tones) > 0 {
		c.Max.Y -= leader + style.Height("Mg")
	}
	data := chart.Stack(c, panels, shares)
	d.name(c, data[0], panels[0], style, leader)
}

// name prints the tones' names above the first strip, moved apart, each with a leader
// down to its line.
func (d SpectrumData) name(c draw.Canvas, data vg.Rectangle, p *plot.Plot, style draw.TextStyle, leader vg.Length) {
	marks := slices.DeleteFunc(slices.Clone(d.Tones), func(m Mark) bool { return !d.shows(m.Hz) })
	slices.SortStableFunc(marks, func(a, b Mark) int { return cmp.Compare(a.Hz, b.Hz) })
	at, widths := make([]vg.Length, len(marks)), make([]vg.Length, len(marks))
	for i, m := range marks {
		widths[i] = style.Width(m.Name) + 6
		at[i] = data.Min.X + (data.Max.X-data.Min.X)*vg.Length(p.X.Norm(m.Hz))
	}
	for i, x := range chart.Spread(at, widths, c.Min.X, c.Max.X) {
		c.FillText(style, vg.Point{X: x, Y: data.Max.Y + leader}, marks[i].Name)
		c.StrokeLines(toneMark, []vg.Point{{X: x, Y: data.Max.Y + leader - 1}, {X: at[i], Y: data.Max.Y + 3}, {X: at[i], Y: data.Max.Y}})
	}
}

// sparse labels every so many of a ticker's labelled ticks that strips so many in number
// have room for.
type sparse struct {
	plot.Ticker
	strips int
}

// Ticks implements plot.Ticker.
func (s sparse) Ticks(lo, hi float64) []plot.Tick {
	ticks := s.Ticker.Ticks(lo, hi)
	labelled := 0
	for _, t := range ticks {
		if !t.IsMinor() {
			labelled++
		}
	}
	every := max(1, int(math.Ceil(float64(labelled)*float64(s.strips)/28)))
	kept := ticks[:0]
	for i := 0; i < len(ticks); i++ {
		if ticks[i].IsMinor() {
			if every == 1 {
				kept = append(kept, ticks[i])
			}
			continue
		}
		if labelled--; labelled%every == 0 {
			kept = append(kept, ticks[i])
		}
	}
	return kept
}
