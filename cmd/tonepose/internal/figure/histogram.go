package figure

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// HistogramData are errors along axes with their predictions.
type HistogramData struct {
	Title, Note string
	Panels      []HistogramPanel // drawn three in a row
}

// HistogramPanel is one component of an error.
type HistogramPanel struct {
	Quantity string // "x error"
	Unit     string // "m"
	Values   []float64
	Sigma    []float64 // predicted, of Values' length; NaN or nil: not predicted
}

// Histogram draws the density of each error and the predicted one: the mean of
// normal densities, one an error, each averaged over the width of a bar, so that
// its value at a bar's middle is the height that the bar should have.
func Histogram(d HistogramData) *Figure {
	columns := min(max(1, len(d.Panels)), 3)
	rows := (len(d.Panels) + columns - 1) / columns
	f := &Figure{Width: 7.2 * vg.Inch, Height: vg.Length(0.75+1.85*float64(rows)) * vg.Inch, Title: d.Title, Note: d.Note}
	f.Legend = []chart.Entry{chart.AreaEntry("errors", colour.Pale(colour.Blue))}
	if slices.ContainsFunc(d.Panels, func(p HistogramPanel) bool { n := len(sorted(p.Values)); return n > 0 && n < fewErrors }) {
		f.Legend = append(f.Legend, chart.LineEntry("each error", eachLine))
	}
	if slices.ContainsFunc(d.Panels, func(p HistogramPanel) bool { return len(p.sigmas()) > 0 }) {
		f.Legend = append(f.Legend, chart.LineEntry("predicted density", chart.Stroke(colour.Ink, 1.4)))
	}
	f.Legend = append(f.Legend, chart.LineEntry("mean", chart.Dashed(colour.Ink, 0.8)))
	f.Body = func(c draw.Canvas) {
		const left, bottom, gapX, gapY = vg.Length(34), vg.Length(32), vg.Length(16), vg.Length(44)
		size := c.Size()
		width := (size.X - left - gapX*vg.Length(columns-1)) / vg.Length(columns)
		height := (size.Y - bottom - gapY*vg.Length(rows-1)) / vg.Length(max(rows, 1))
		for i, panel := range d.Panels {
			x := c.Min.X + left + vg.Length(i%columns)*(width+gapX)
			y := c.Max.Y - vg.Length(i/columns)*(height+gapY)
			p := panel.plot()
			if i%columns == 0 {
				p.Y.Label.Text = "density"
			}
			chart.Place(p, c, chart.Box(x, y-height, x+width, y))
		}
	}
	return f
}

func (panel HistogramPanel) plot() *plot.Plot {
	values, sigma := sorted(panel.Values), panel.sigmas()
	reach := 0.0
	// The widest predictions and rare errors would leave all else in one bar.
	if n := len(sigma); n > 0 {
		reach = 3 * sigma[n*9/10]
	}
	typical := reach
	if n := len(values); n > 0 {
		typical = 1.1 * max(-values[n/200], values[n-1-n/200], 1e-30)
		reach = min(max(reach, typical), 2.5*typical)
	}
	if reach == 0 {
		reach = 1
	}
	unit, name := chart.Scale(reach/1.5, panel.Unit)
	p := chart.NewPlot(chart.In(panel.Quantity, name), "")
	p.X.Min, p.X.Max = -reach, reach
	p.X.Tick.Marker = chart.LinearTicks{Unit: unit, Count: 5}
	count := barCount(len(values))
	width := 2 * reach / float64(count)
	bars := make([]float64, count)
	for _, v := range values {
		k := min(max(int((v+reach)/width), 0), count-1) // what lies beyond counts at the end
		bars[k] += 1 / (width * float64(len(values)))
	}
	grid, density := panel.density(reach, width)
	_, top := chart.SpanOr(true, 0, 1, bars, density)
	p.Y.Min, p.Y.Max = 0, 1.08*top
	p.Y.Tick.Marker = plot.ConstantTicks(nil)
	p.Add(chart.Drawing(func(c draw.Canvas, _ *plot.Plot, x, y func(float64) vg.Length) {
		for k, v := range bars {
			if v > 0 {
				chart.Fill(c, colour.Pale(colour.Blue), chart.Box(x(-reach+width*float64(k))+0.3, c.Min.Y, x(-reach+width*float64(k+1))-0.3, y(v)))
			}
		}
		for _, v := range values {
			if at := x(min(max(v, -reach), reach)); len(values) < fewErrors {
				c.StrokeLine2(eachLine, at, c.Min.Y, at, c.Min.Y+7)
			}
		}
	}))
	if density != nil {
		p.Add(chart.Curve(grid, density, chart.Stroke(colour.Ink, 1.4)))
	}
	if len(values) > 0 {
		mean := stat.Mean(values, nil)
		p.Add(chart.Drawing(func(c draw.Canvas, _ *plot.Plot, x, _ func(float64) vg.Length) {
			if at := x(mean); c.ContainsX(at) {
				c.StrokeLine2(chart.Dashed(colour.Ink, 0.8), at, c.Min.Y, at, c.Max.Y)
			}
		}))
	}
	return p
}

// Of so few errors each is marked, as bars alone would not tell where they are.
const fewErrors = 40

var eachLine = chart.Stroke(colour.Blue, 1)

// barCount is that of bars over both signs, odd: it grows with the root of n, as few readers
// need more than 40; few errors get no more bars than they fill.
func barCount(n int) int { return min(max(int(math.Sqrt(float64(n))), 5), 40) | 1 }

// sorted are the finite ones of the values, rising.
func sorted(values []float64) []float64 {
	list := slices.DeleteFunc(slices.Clone(values), func(v float64) bool { return v-v != 0 })
	slices.Sort(list)
	return list
}

// sigmas are those that were predicted, rising.
func (panel HistogramPanel) sigmas() []float64 {
	return slices.DeleteFunc(sorted(panel.Sigma), func(s float64) bool { return s <= 0 })
}

// density of the predictions; nil: there are none.
func (panel HistogramPanel) density(reach, width float64) (grid, density []float64) {
	sigma := gathered(panel.sigmas())
	if len(sigma) == 0 {
		return nil, nil
	}
	const points = 241
	for k := range points {
		x := reach * (2*float64(k)/(points-1) - 1)
		sum := 0.0
		for _, s := range sigma {
			below := func(x float64) float64 { return math.Erf(x/(s*math.Sqrt2)) / 2 }
			sum += (below(x+width/2) - below(x-width/2)) / width
		}
		grid, density = append(grid, x), append(density, sum/float64(len(sigma)))
	}
	return grid, density
}

// gathered are the means of equally many neighbours of a rising list, some 200 at most:
// their densities are as one thin line to the eye, and thousands of sigmas take long.
func gathered(rising []float64) []float64 {
	const most = 200
	n := len(rising)
	if n <= most {
		return rising
	}
	means := make([]float64, most)
	for i := range means {
		means[i] = stat.Mean(rising[i*n/most:(i+1)*n/most], nil)
	}
	return means
}
