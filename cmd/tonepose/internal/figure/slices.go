package figure

import (
	"fmt"
	"image"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// SlicesData is a positive quantity in three planes through the working volume.
type SlicesData struct {
	Title, Note string

	Quantity string // "predicted position error"
	Unit     string // without prefix: "m"
	Min, Max r3.Vec // of the working volume [m]
	// Slices by their normal: x (columns along y, rows along z), y (along x and z)
	// and z (along x and y).
	Slices [3]Slice
	Wanted float64 // a value to mark with a heavy contour; 0: none
	// Lowest and Highest widen the colour scale, so that figures compare; 0: that of
	// the values.
	Lowest, Highest float64
}

// Slice is one plane of values, row by row from the lowest; NaN or infinite where
// there is none.
type Slice struct {
	At            float64 // along the normal [m]
	Columns, Rows int
	Value         []float64
}

// sliceAxes are the axes along columns and rows of a slice.
var sliceAxes = [3][2]int{{1, 2}, {0, 2}, {0, 1}}

// Slices draws heat maps with contours on one log colour scale, brighter for
// better; grey where there is no value.
func Slices(d SlicesData) *Figure {
	f := &Figure{Width: 7.6 * vg.Inch, Title: d.Title, Note: d.Note}
	lo, hi := chart.SpanOr(true, 1, 10, d.Slices[0].Value, d.Slices[1].Value, d.Slices[2].Value)
	if d.Lowest > 0 {
		lo, hi = min(lo, d.Lowest), max(hi, d.Highest)
	}
	if hi < lo*1.05 {
		lo, hi = lo/1.03, hi*1.03
	}
	round := 1.0 // contours are round numbers of the unit shown
	if d.Unit == "rad" {
		round = math.Pi / 180
	}
	levels := contourLevels(lo/round, hi/round)
	for i := range levels {
		levels[i] *= round
	}
	size := [3]float64{d.Max.X - d.Min.X, d.Max.Y - d.Min.Y, d.Max.Z - d.Min.Z}
	const left, bottom, gap, bar, head, least = 42, 34, 46, 74, 16, 100
	free := f.Width - 2*chart.Margin - left - 2*gap - bar
	var panels [3]vg.Point
	width, high := vg.Length(0), vg.Length(least)
	for axis := range 3 {
		width += vg.Length(size[sliceAxes[axis][0]])
	}
	for axis := range 3 {
		w, h := vg.Length(size[sliceAxes[axis][0]])*free/width, vg.Length(size[sliceAxes[axis][1]])*free/width
		if slender(size) { // to scale, a panel would be a thread
			w, h = free/3, min(max(free/3*vg.Length(size[sliceAxes[axis][1]]/size[sliceAxes[axis][0]]), least), 2.5*least)
		}
		panels[axis] = vg.Point{X: w, Y: h}
		high = max(high, h)
	}
	f.Legend = []chart.Entry{chart.LineEntry("contour", chart.Stroke(colour.Black, 0.8))}
	if d.Wanted > 0 {
		f.Legend = append(f.Legend, chart.LineEntry("wanted: "+chart.WithPrefix(d.Wanted, d.Unit), chart.Stroke(colour.Black, 2)))
	}
	if d.blind() {
		f.Legend = append(f.Legend, chart.AreaEntry("blind", colour.RGB(0xdddddd)))
	}
	f.Height = f.HeaderHeight() + head + high + bottom + 2*chart.Margin
	f.Body = func(c draw.Canvas) {
		x := c.Min.X + left
		top := c.Max.Y - head
		for axis := range 3 {
			w := panels[axis]
			d.slice(c, axis, chart.Box(x, top-w.Y, x+w.X, top), lo, hi, levels)
			x += w.X + gap
		}
		unit, name := chart.Scale(math.Sqrt(lo*hi), d.Unit)
		chart.ColourBar(c, chart.Box(c.Min.X, top-high, x-gap, top), colour.Size, lo, hi, math.Log, chart.LogTicks{Unit: unit}, chart.In(d.Quantity, name))
	}
	return f
}

func (d SlicesData) slice(c draw.Canvas, axis int, r vg.Rectangle, lo, hi float64, levels []float64) {
	s := d.Slices[axis]
	names := [3]string{"x", "y", "z"}
	mins, maxs := [3]float64{d.Min.X, d.Min.Y, d.Min.Z}, [3]float64{d.Max.X, d.Max.Y, d.Max.Z}
	a, b := sliceAxes[axis][0], sliceAxes[axis][1]
	p := chart.NewPlot(names[a]+" (mm)", names[b]+" (mm)")
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = mins[a], maxs[a], mins[b], maxs[b]
	p.X.Tick.Marker, p.Y.Tick.Marker = chart.LinearTicks{Unit: 1e-3, Count: 3}, chart.LinearTicks{Unit: 1e-3, Count: 4}
	p.Add(chart.Drawing(func(c draw.Canvas, p *plot.Plot, _, _ func(float64) vg.Length) {
		if s.Columns < 2 || s.Rows < 2 || len(s.Value) != s.Columns*s.Rows {
			return
		}
		c.DrawImage(c.Rectangle, s.picture(lo, hi))
		c.StrokeLines(chart.Stroke(colour.FrameInk, 0.6), chart.Outline(c.Rectangle))
		at := func(i, j float64) vg.Point {
			return vg.Point{X: c.Min.X + (c.Max.X-c.Min.X)*vg.Length(i/float64(s.Columns-1)), Y: c.Min.Y + (c.Max.Y-c.Min.Y)*vg.Length(j/float64(s.Rows-1))}
		}
		draw := func(lines [][4]float64, style draw.LineStyle) {
			for _, l := range lines {
				from, to := at(l[0], l[1]), at(l[2], l[3])
				c.StrokeLine2(style, from.X, from.Y, to.X, to.Y)
			}
		}
		if d.Wanted > 0 {
			draw(s.contour(d.Wanted), chart.Stroke(colour.Black, 2))
		}
		var names chart.Labels
		for _, level := range levels {
			lines := s.contour(level)
			if math.Abs(level/d.Wanted-1) > 1e-6 {
				draw(lines, chart.Stroke(colour.Black, 0.8))
			}
			if len(lines) > 0 {
				s.name(c, &names, at, lines, chart.WithPrefix(level, d.Unit))
			}
		}
	}))
	chart.Place(p, c, r)
	title := chart.Lettering(chart.TickSize, colour.Ink, draw.XCenter, draw.YBottom)
	c.FillText(title, vg.Point{X: (r.Min.X + r.Max.X) / 2, Y: r.Max.Y + 5}, fmt.Sprintf("%s = %s mm", names[axis], chart.Number(s.At*1e3, 0)))
}

// Range returns the least and the largest value of all slices, 0 and 0 where there
// is none.
func (d SlicesData) Range() (lo, hi float64) {
	return chart.SpanOr(true, 0, 0, d.Slices[0].Value, d.Slices[1].Value, d.Slices[2].Value)
}

// blind reports whether any value is missing.
func (d SlicesData) blind() bool {
	for _, s := range d.Slices {
		for _, v := range s.Value {
			if !(v > 0) || math.IsInf(v, 1) {
				return true
			}
		}
	}
	return false
}

// slender reports whether a box's sides are too unlike to be drawn to scale.
func slender(size [3]float64) bool {
	return max(size[0], size[1], size[2]) > 3*min(size[0], size[1], size[2])
}

// name writes a contour's value on it, over a pale box.
func (s Slice) name(c draw.Canvas, l *chart.Labels, at func(i, j float64) vg.Point, lines [][4]float64, text string) {
	style := chart.Lettering(chart.SmallSize, colour.Ink, draw.XCenter, draw.YCenter)
	var positions []vg.Point
	for _, k := range []float64{0.5, 0.35, 0.65, 0.2, 0.8, 0.05, 0.95} {
		v := lines[int(k*float64(len(lines)-1))]
		positions = append(positions, at((v[0]+v[2])/2, (v[1]+v[3])/2))
	}
	if room, ok := l.Reserve(c, style, text, positions, nil); ok {
		chart.Fill(c, colour.Mix(colour.White, colour.Viridis[5], 0.1), room)
		c.FillText(style, vg.Point{X: (room.Min.X + room.Max.X) / 2, Y: (room.Min.Y+room.Max.Y)/2 + 0.5}, text)
	}
}

// picture colours the logarithm, interpolated between the values.
func (s Slice) picture(lo, hi float64) image.Image {
	const fine = 8
	w, h := (s.Columns-1)*fine+1, (s.Rows-1)*fine+1
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	m := colour.Size
	for y := range h {
		for x := range w {
			i, j := min(x/fine, s.Columns-2), min(y/fine, s.Rows-2)
			u, v := float64(x)/fine-float64(i), float64(y)/fine-float64(j)
			value := (1-v)*((1-u)*s.log(i, j)+u*s.log(i+1, j)) + v*((1-u)*s.log(i, j+1)+u*s.log(i+1, j+1))
			img.SetNRGBA(x, h-1-y, m.At((value-math.Log(lo))/math.Log(hi/lo)))
		}
	}
	return img
}

// log is the logarithm of a value, NaN where there is none.
func (s Slice) log(i, j int) float64 {
	v := s.Value[j*s.Columns+i]
	if !(v > 0) || math.IsInf(v, 1) {
		return math.NaN()
	}
	return math.Log(v)
}

// contour returns the segments of a level in grid coordinates (column, row,
// column, row): marching squares on the logarithm, saddles cut by the cell's mean.
func (s Slice) contour(level float64) [][4]float64 {
	var out [][4]float64
	want := math.Log(level)
	for j := range s.Rows - 1 {
		for i := range s.Columns - 1 {
			// Corners anticlockwise from the lower left.
			v := [4]float64{s.log(i, j) - want, s.log(i+1, j) - want, s.log(i+1, j+1) - want, s.log(i, j+1) - want}
			mean := (v[0] + v[1] + v[2] + v[3]) / 4
			if math.IsNaN(mean) {
				continue
			}
			x := [4]float64{float64(i), float64(i + 1), float64(i + 1), float64(i)}
			y := [4]float64{float64(j), float64(j), float64(j + 1), float64(j + 1)}
			var cuts [][2]float64
			for k := range 4 {
				n := (k + 1) % 4
				if (v[k] > 0) != (v[n] > 0) {
					t := v[k] / (v[k] - v[n])
					cuts = append(cuts, [2]float64{x[k] + t*(x[n]-x[k]), y[k] + t*(y[n]-y[k])})
				}
			}
			// A saddle whose middle is not on the first corner's side cuts that corner
			// off, and the one across.
			if len(cuts) == 4 && (mean > 0) != (v[0] > 0) {
				cuts[0], cuts[1], cuts[2], cuts[3] = cuts[3], cuts[0], cuts[1], cuts[2]
			}
			for k := 0; k+1 < len(cuts); k += 2 {
				out = append(out, [4]float64{cuts[k][0], cuts[k][1], cuts[k+1][0], cuts[k+1][1]})
			}
		}
	}
	return out
}

// contourLevels are 1, 2, 5 times powers of ten, finer where the range is small.
func contourLevels(lo, hi float64) []float64 {
	for _, steps := range [][]float64{{1}, {1, 3}, {1, 2, 5}, {1, 1.5, 2, 3, 4, 5, 7}, {1, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 1.9, 2, 2.2, 2.4, 2.6, 2.8, 3, 3.5, 4, 4.5, 5, 6, 7, 8, 9}} {
		var levels []float64
		for n := int(math.Floor(math.Log10(lo))); n <= int(math.Ceil(math.Log10(hi))); n++ {
			for _, m := range steps {
				if v := m * math.Pow(10, float64(n)); v > lo && v < hi {
					levels = append(levels, v)
				}
			}
		}
		if len(levels) >= 4 || len(steps) > 8 {
			return levels
		}
	}
	return nil
}
