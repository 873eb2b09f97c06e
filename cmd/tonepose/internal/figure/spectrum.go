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
	Name string
}

// SpectrumData is one or more spectra over the same frequencies.
type SpectrumData struct {
	Title, Note string

	Hz       []float64 // rising
	Channels []Channel
	Unit     string // "V/√Hz"

	Tones []Mark    // of the emitters: labelled above the panel
	Mains []float64 // [Hz], the harmonics that are worth a mark
	Lines []Mark    // others: labelled above the panel too, in another colour

	// Interval bounds the truth about each density with 95 % confidence, as
	// factors; zero: not drawn.
	Interval [2]float64

	MinHz, MaxHz float64 // shown
}

// Channel is one spectrum, of Hz's length.
type Channel struct {
	Name    string
	Density []float64
}

var (
	markInks  = [2]draw.LineStyle{chart.Stroke(colour.SoftInk, 0.7), chart.Dashed(colour.Black, 0.8)} // of tones, of other lines
	mainsMark = draw.GlyphStyle{Color: colour.Orange, Radius: 2.6, Shape: draw.PyramidGlyph{}}
)

// Spectrum draws spectra with their tones named above the panel, mains
// harmonics and other lines marked.
func Spectrum(d SpectrumData) *Figure {
	f := &Figure{Width: 7.2 * vg.Inch, Height: 4.1 * vg.Inch, Title: d.Title, Note: d.Note}
	for i, ch := range d.Channels {
		f.Legend = append(f.Legend, chart.LineEntry(ch.Name, chart.SeriesLine(i, 1)))
	}
	if len(d.Tones) > 0 {
		f.Legend = append(f.Legend, chart.LineEntry("tone of an emitter", markInks[0]))
	}
	if len(d.Mains) > 0 {
		f.Legend = append(f.Legend, chart.GlyphEntry("mains harmonic", mainsMark))
	}
	if len(d.Lines) > 0 {
		f.Legend = append(f.Legend, chart.LineEntry("other line", markInks[1]))
	}
	p := d.panel()
	f.Body = func(c draw.Canvas) { d.draw(c, p) }
	return f
}

func (d SpectrumData) panel() *plot.Plot {
	p := chart.NewPlot("frequency (Hz)", "spectral density ("+d.Unit+")")
	p.X.Scale, p.X.Tick.Marker = plot.LogScale{}, chart.LogTicks{}
	p.X.Min, p.X.Max = max(d.MinHz, d.MaxHz/1e4, math.SmallestNonzeroFloat64), d.MaxHz
	var shown [][]float64
	first, _ := slices.BinarySearch(d.Hz, p.X.Min)
	last, found := slices.BinarySearch(d.Hz, p.X.Max)
	if found {
		last++
	}
	for i, ch := range d.Channels {
		shown = append(shown, ch.Density[first:last])
		p.Add(chart.Curve(d.Hz, ch.Density, chart.SeriesLine(i, 0.7)))
	}
	lo, hi := chart.SpanOr(true, 1e-9, 1e-6, shown...)
	p.Y.Scale, p.Y.Tick.Marker = plot.LogScale{}, chart.LogTicks{}
	p.Y.Min, p.Y.Max = lo/1.5, hi*2.5
	p.Add(chart.Drawing(func(c draw.Canvas, p *plot.Plot, x, y func(float64) vg.Length) {
		for _, hz := range d.Mains {
			if v := d.top(hz); hz >= p.X.Min && hz <= p.X.Max && v > 0 {
				c.DrawGlyphNoClip(mainsMark, vg.Point{X: x(hz), Y: min(y(v)+6, c.Max.Y-4)})
			}
		}
	}))
	if d.Interval[0] > 0 {
		p.Add(chart.Drawing(d.bar))
	}
	return p
}

// bar draws the confidence of a bin, one for all on a log axis, in the upper
// left corner.
func (d SpectrumData) bar(c draw.Canvas, _ *plot.Plot, _, y func(float64) vg.Length) {
	low, high := y(d.Interval[0]), y(d.Interval[1])
	at, top := c.Min.X+14, c.Max.Y-10
	style := chart.Stroke(colour.Ink, 0.9)
	c.StrokeLine2(style, at, top-(high-low), at, top)
	for _, end := range []vg.Length{top, top - (high - low)} {
		c.StrokeLine2(style, at-2.5, end, at+2.5, end)
	}
	c.FillText(chart.Lettering(chart.SmallSize, colour.SoftInk, draw.XLeft, draw.YCenter), vg.Point{X: at + 6, Y: top - (high-low)/2}, "95 % of a bin")
}

// top is the largest density of any channel at hz or beside it, 0 if none.
func (d SpectrumData) top(hz float64) float64 {
	i, _ := slices.BinarySearch(d.Hz, hz)
	best := 0.0
	for _, ch := range d.Channels {
		for k := max(0, i-2); k < min(len(d.Hz), i+3); k++ {
			if v := ch.Density[k]; v > best && !math.IsInf(v, 0) {
				best = v
			}
		}
	}
	return best
}

type inkedMark struct {
	Mark
	ink int
}

// draw leaves room above the panel for the names of the marks shown.
func (d SpectrumData) draw(c draw.Canvas, p *plot.Plot) {
	var marks []inkedMark
	for ink, list := range [2][]Mark{d.Tones, d.Lines} {
		for _, m := range list {
			if m.Hz >= p.X.Min && m.Hz <= p.X.Max {
				marks = append(marks, inkedMark{m, ink})
			}
		}
	}
	slices.SortStableFunc(marks, func(a, b inkedMark) int { return cmp.Compare(a.Hz, b.Hz) })

	e := chart.Room(p, c)
	data := chart.Box(c.Min.X+e.Left, c.Min.Y+e.Bottom, c.Max.X-e.Right, c.Max.Y-e.Top)
	d.name(c, &data, p, marks)
	chart.Place(p, c, data)
}

// name prints the marks' names at the top of c, moved apart, each with a leader
// down to its line's peak, and takes the room for it from data.
func (d SpectrumData) name(c draw.Canvas, data *vg.Rectangle, p *plot.Plot, marks []inkedMark) {
	if len(marks) == 0 {
		return
	}
	style := chart.Lettering(chart.SmallSize, colour.Ink, draw.XCenter, draw.YBottom)
	at, widths := make([]vg.Length, len(marks)), make([]vg.Length, len(marks))
	for i, m := range marks {
		widths[i] = style.Width(m.Name) + 6
		at[i] = data.Min.X + (data.Max.X-data.Min.X)*vg.Length(p.X.Norm(m.Hz))
	}
	names := chart.Spread(at, widths, c.Min.X, c.Max.X)
	// Leaders that go far aside need height, or they run into one another.
	slant := vg.Length(12)
	for i, x := range names {
		slant = max(slant, min(0.4*max(x-at[i], at[i]-x), 45))
	}
	data.Max.Y = c.Max.Y - style.Height("Mg") - slant
	for i, x := range names {
		line := markInks[marks[i].ink]
		style.Color = line.Color
		c.FillText(style, vg.Point{X: x, Y: data.Max.Y + slant}, marks[i].Name)
		foot := data.Min.Y
		if v := d.top(marks[i].Hz); v > 0 {
			foot += (data.Max.Y-data.Min.Y)*vg.Length(p.Y.Norm(min(max(v, p.Y.Min), p.Y.Max))) + 2
		}
		c.StrokeLines(line, []vg.Point{{X: x, Y: data.Max.Y + slant - 1}, {X: at[i], Y: data.Max.Y + 3}, {X: at[i], Y: foot}})
	}
}
