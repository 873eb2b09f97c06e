package figure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// ResidualData is how the couplings of a calibration fit, in sigmas.
type ResidualData struct {
	Title, Note string

	Emitters []string
	Station  []int     // of each residual, from 1
	Emitter  []int     // of each residual, index into Emitters
	Value    []float64 // predicted less observed over sigma; NaN: missing
	Outliers []int     // stations that do not fit
}

// Residuals draws every residual by station and by emitter, with the band in
// which 95 % of them should lie.
func Residuals(d ResidualData) *Figure {
	_, hi := chart.SpanOr(true, 1, 1, chart.Absolute(d.Value))
	hi = max(4, hi*1.06)
	legend := []chart.Entry{chart.GlyphEntry("residual", errorDot), chart.AreaEntry("95 % of residuals, were the sigmas right", bandInk)}
	if len(d.Outliers) > 0 {
		legend = append(legend, chart.AreaEntry("station that does not fit", colour.Pale(colour.Alarm)))
	}
	return &Figure{
		Width: 7.2 * vg.Inch, Height: 4.6 * vg.Inch, Title: d.Title, Note: d.Note, Legend: legend,
		Body: func(c draw.Canvas) {
			middle := (c.Min.Y + c.Max.Y) / 2
			upper, lower := c, c
			upper.Min.Y, lower.Max.Y = middle+4, middle-4
			last := 1
			if len(d.Station) > 0 {
				last = max(1, slices.Max(d.Station))
			}
			stations := d.panel("station", hi, 0.5, float64(last)+0.5, chart.LinearTicks{Count: 10}, func(i int) float64 { return float64(d.Station[i]) })
			chart.Stack(upper, []*plot.Plot{stations}, []float64{1})
			emitters := d.panel("emitter", hi, 0.5, float64(len(d.Emitters))+0.5, named(d.Emitters), d.besideEmitter())
			chart.Stack(lower, []*plot.Plot{emitters}, []float64{1})
		},
	}
}

// besideEmitter spreads the residuals of an emitter beside each other in the
// order of their stations.
func (d ResidualData) besideEmitter() func(i int) float64 {
	total, seen := make([]int, len(d.Emitters)), make([]int, len(d.Emitters))
	for _, e := range d.Emitter {
		total[e]++
	}
	at := make([]float64, len(d.Emitter))
	for i, e := range d.Emitter {
		at[i] = float64(e) + 1 + 0.7*((float64(seen[e])+0.5)/float64(total[e])-0.5)
		seen[e]++
	}
	return func(i int) float64 { return at[i] }
}

func (d ResidualData) panel(name string, hi, from, to float64, ticks plot.Ticker, at func(i int) float64) *plot.Plot {
	p := chart.NewPlot(name, "residual (sigmas)")
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = from, to, -hi, hi
	p.X.Tick.Marker, p.Y.Tick.Marker = ticks, chart.LinearTicks{Count: 5}
	p.Add(chart.Drawing(func(c draw.Canvas, p *plot.Plot, x, y func(float64) vg.Length) {
		chart.Fill(c, bandInk, chart.Box(c.Min.X, y(-1.96), c.Max.X, y(1.96)))
		if name == "station" {
			for _, s := range d.Outliers {
				chart.Fill(c, colour.Pale(colour.Alarm), chart.Box(x(float64(s)-0.5), c.Min.Y, x(float64(s)+0.5), c.Max.Y))
			}
		}
		c.StrokeLine2(chart.Stroke(colour.FrameInk, 0.6), c.Min.X, y(0), c.Max.X, y(0))
	}))
	var xs, ys []float64
	for _, i := range chart.Rising(len(d.Value), at) {
		xs, ys = append(xs, at(i)), append(ys, d.Value[i])
	}
	p.Add(chart.Dots(xs, ys, errorDot))
	return p
}

// named labels 1, 2, 3 … with names, as many as there is room for.
type named []string

// Ticks implements plot.Ticker.
func (n named) Ticks(lo, hi float64) []plot.Tick {
	every := len(n)/16 + 1
	var out []plot.Tick
	for i, name := range n {
		if i%every == 0 {
			out = append(out, plot.Tick{Value: float64(i + 1), Label: name})
		}
	}
	return out
}

// ParameterData is what a calibration moved.
type ParameterData struct {
	Title, Note string

	Names         []string
	Units         []string // "m", "rad", "s", "H"; empty: relative
	Before, After []float64
	Sigma         []float64 // of After
	Tolerance     []float64 // one sigma, of Before; 0: none
}

// shownParameters bounds the rows of a figure: those that moved most.
const shownParameters = 120

// handy are the units in which a bench is built and read.
var handy = map[string]struct {
	scale float64
	name  string
}{"m": {1e-3, "mm"}, "rad": {1e-3, "mrad"}, "s": {1e-9, "ns"}, "H": {1e-9, "nH"}, "": {1e-2, "%"}}

// Parameters draws a table of parameters before and after, and how far each moved, with
// the sigma that is left: in tolerances where most have one, else in the units of the
// table, on an axis that is even below 1 and logarithmic above.
func Parameters(d ParameterData) *Figure {
	stated := 0
	for _, t := range d.Tolerance {
		if t > 0 {
			stated++
		}
	}
	tolerated := 2*stated > len(d.Names)
	one := func(i int) float64 { // of the axis
		if tolerated {
			return d.Tolerance[i]
		}
		return handy[d.Units[i]].scale
	}
	move := func(i int) float64 { return (d.After[i] - d.Before[i]) / one(i) }
	rows := chart.Rising(len(d.Names), func(i int) float64 {
		if m := math.Abs(move(i)); m > 0 {
			return -m
		}
		return 0
	})
	note := d.Note
	if len(rows) > shownParameters {
		rows = rows[:shownParameters]
		note += fmt.Sprintf("; the %d of %d parameters that moved most", shownParameters, len(d.Names))
	}
	slices.Sort(rows)
	hi := 2.5
	for _, i := range rows {
		if m := math.Abs(move(i)) + d.Sigma[i]/one(i); m < math.Inf(1) {
			hi = max(hi, 1.06*m)
		}
	}
	const line, head = vg.Length(12), vg.Length(16)
	f := &Figure{Width: 7.2 * vg.Inch, Title: d.Title, Note: note, Legend: []chart.Entry{
		chart.LineEntry("moved", movedLine), chart.LineEntry("±1 sigma of after", sigmaLine)}}
	if tolerated {
		f.Legend = append(f.Legend, chart.AreaEntry("95 % of moves, were the tolerances right", bandInk))
	}
	f.Height = f.HeaderHeight() + head + line*vg.Length(max(1, len(rows))) + 34 + 2*chart.Margin
	f.Body = func(c draw.Canvas) {
		name, cell := chart.Lettering(chart.TickSize, colour.Ink, draw.XLeft, draw.YCenter), chart.Lettering(chart.TickSize, colour.Ink, draw.XRight, draw.YCenter)
		texts := make([]string, len(d.Names))
		for _, i := range rows {
			texts[i] = chart.In(d.Names[i], handy[d.Units[i]].name)
		}
		right := c.Min.X + chart.Widest(name, texts) + 4
		columns := [4]vg.Length{right + 44, right + 90, right + 130, right + 176}
		top := c.Max.Y - head
		for k, title := range []string{"before", "after", "sigma", "tolerance"} {
			c.FillText(chart.Bold(cell), vg.Point{X: columns[k], Y: top + head/2}, title)
		}
		p := chart.NewPlot("moved (tolerances, one sigma each)", "")
		p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = -hi, hi, 0, float64(max(1, len(rows)))
		p.X.Tick.Marker, p.Y.Tick.Marker = chart.LinearTicks{Count: 6}, plot.ConstantTicks(nil)
		if !tolerated {
			var units []string
			for _, i := range rows {
				if name := handy[d.Units[i]].name; !slices.Contains(units, name) {
					units = append(units, name)
				}
			}
			p.X.Label.Text = chart.In("moved", strings.Join(units, ", "))
			p.X.Scale, p.X.Tick.Marker = evenThenLog{}, evenThenLogTicks{}
		}
		p.Add(chart.Drawing(func(c draw.Canvas, p *plot.Plot, x, y func(float64) vg.Length) {
			if tolerated {
				chart.Fill(c, bandInk, chart.Box(x(-1.96), c.Min.Y, x(1.96), c.Max.Y))
			}
			for k, i := range rows {
				at := c.Max.Y - line*vg.Length(float64(k)+0.5)
				m, s := move(i), d.Sigma[i]/one(i)
				if math.IsNaN(m+s) || math.IsInf(m+s, 0) {
					continue
				}
				c.StrokeLine2(movedLine, x(0), at, x(m), at)
				c.StrokeLine2(sigmaLine, x(m-s), at, x(m+s), at)
			}
			c.StrokeLine2(chart.Stroke(colour.FrameInk, 0.8), x(0), c.Min.Y, x(0), c.Max.Y)
		}))
		bottom := top - line*vg.Length(max(1, len(rows)))
		for k, i := range rows {
			y := top - line*vg.Length(float64(k)+0.5)
			if k%2 == 1 {
				chart.Fill(c, colour.RGB(0xf4f4f4), chart.Box(c.Min.X, y-line/2, columns[3]+6, y+line/2))
			}
			c.FillText(name, vg.Point{X: c.Min.X + 2, Y: y + 1}, texts[i])
			for j, text := range d.row(i) {
				c.FillText(cell, vg.Point{X: columns[j], Y: y + 1}, text)
			}
		}
		chart.Place(p, c, chart.Box(columns[3]+14, bottom, c.Max.X-8, top))
	}
	return f
}

var (
	movedLine = chart.Stroke(colour.Blue, 2.5)
	sigmaLine = chart.Stroke(colour.Ink, 1)
)

// row is before, after, sigma and tolerance of a parameter, to the second digit of sigma.
func (d ParameterData) row(i int) [4]string {
	scale := handy[d.Units[i]].scale
	digits := 4
	if s := d.Sigma[i] / scale; s > 0 && !math.IsInf(s, 1) {
		digits = min(max(0, 1-int(math.Floor(math.Log10(s)))), 5)
	}
	tolerance := "–"
	if t := d.Tolerance[i]; t > 0 {
		tolerance = chart.Significant(t/scale, 2)
	}
	return [4]string{chart.Number(d.Before[i]/scale, digits), chart.Number(d.After[i]/scale, digits), chart.Number(d.Sigma[i]/scale, digits), tolerance}
}

// evenThenLog is even between −1 and 1 and logarithmic outside.
type evenThenLog struct{}

func bent(v float64) float64 { return math.Asinh(1.2 * v) }

// Normalize implements plot.Normalizer.
func (evenThenLog) Normalize(lo, hi, v float64) float64 {
	return (bent(v) - bent(lo)) / (bent(hi) - bent(lo))
}

type evenThenLogTicks struct{}

// Ticks implements plot.Ticker.
func (evenThenLogTicks) Ticks(lo, hi float64) []plot.Tick {
	out := []plot.Tick{{Value: 0, Label: "0"}}
	every := 1 + int(math.Log10(max(hi, 10)))/3
	for k := 0; math.Pow(10, float64(k)) <= hi; k++ {
		if k%every != 0 {
			continue
		}
		for _, v := range []float64{-math.Pow(10, float64(k)), math.Pow(10, float64(k))} {
			out = append(out, plot.Tick{Value: v, Label: chart.Number(v, 0)})
		}
	}
	return out
}

// CorrelationData is a correlation matrix.
type CorrelationData struct {
	Title, Note string

	Names []string
	Value []float64 // row by row
}

// Correlations draws the matrix as a map from −1 to 1. Names are beside it
// where there is room, else on every few rows.
func Correlations(d CorrelationData) *Figure {
	n := len(d.Names)
	side := max(3.6*vg.Inch, min(6.5*vg.Inch, vg.Length(n)*9))
	cell := side / vg.Length(max(1, n))
	name := chart.Lettering(chart.TickSize-1.5, colour.Ink, draw.XRight, draw.YCenter)
	every := int(math.Ceil(float64((chart.TickSize + 0.5) / cell)))
	left := chart.Widest(name, d.Names) + 8
	const bar = vg.Length(70)
	f := &Figure{Width: left + side + bar + 2*chart.Margin, Title: d.Title, Note: d.Note}
	f.Height = f.HeaderHeight() + side + 2*chart.Margin
	f.Body = func(c draw.Canvas) {
		r := chart.Box(c.Min.X+left, c.Max.Y-side, c.Min.X+left+side, c.Max.Y)
		for i := range n {
			for j := range n {
				x, y := r.Min.X+cell*vg.Length(j), r.Max.Y-cell*vg.Length(i+1)
				chart.Fill(c, colour.Signed.At(0.5+0.5*d.Value[i*n+j]), chart.Box(x, y, x+cell, y+cell))
			}
			if i%max(1, every) == 0 {
				c.FillText(name, vg.Point{X: r.Min.X - 4, Y: r.Max.Y - cell*vg.Length(float64(i)+0.5) + 1}, d.Names[i])
			}
		}
		c.StrokeLines(chart.Stroke(colour.FrameInk, 0.6), chart.Outline(r))
		chart.ColourBar(c, r, colour.Signed, -1, 1, chart.Linear, chart.LinearTicks{Count: 4}, "correlation")
	}
	return f
}
