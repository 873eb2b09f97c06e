package chart

import (
	"cmp"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/colour"
)

// decimate returns the polylines that look like the curve (x, y) with x rising:
// per column of width step from lo on, its first, lowest, highest and last
// point. NaN ends a polyline. Each point of the result is one of the curve.
func decimate(x, y []float64, lo, step float64) [][]int {
	var lines [][]int
	var line []int
	end := func() {
		if line != nil {
			lines = append(lines, line)
		}
		line = nil
	}
	column := func(i int) float64 { return math.Floor((x[i] - lo) / step) }
	for i := 0; i < len(x); {
		if math.IsNaN(x[i]) || math.IsNaN(y[i]) {
			end()
			i++
			continue
		}
		first, low, high, last := i, i, i, i
		for ; i < len(x) && !math.IsNaN(y[i]) && column(i) == column(first); i++ {
			if y[i] < y[low] {
				low = i
			}
			if y[i] > y[high] {
				high = i
			}
			last = i
		}
		keep := []int{first, low, high, last}
		slices.Sort(keep)
		for k, at := range keep {
			if k == 0 || at != keep[k-1] {
				line = append(line, at)
			}
		}
	}
	end()
	return lines
}

// Curve draws y over rising x. On a log axis values ≤ 0 are gaps.
func Curve(x, y []float64, style draw.LineStyle) plot.Plotter {
	return Drawing(func(c draw.Canvas, p *plot.Plot, px, py func(float64) vg.Length) {
		x, y := drawable(p.X, x), drawable(p.Y, y)
		at := make([]float64, len(x))
		for i, v := range x {
			at[i] = float64((px(v) - c.Min.X) / Pixel)
		}
		for _, line := range decimate(at, y, 0, 1) {
			points := make([]vg.Point, len(line))
			for i, k := range line {
				points[i] = vg.Point{X: px(x[k]), Y: py(y[k])}
			}
			if len(points) == 1 { // a lone value between gaps
				c.DrawGlyph(Dot(style.Color, style.Width), points[0])
				continue
			}
			c.StrokeLines(style, c.ClipLinesXY(points)...)
		}
	})
}

// Pixel is the width of a column of curve: half a printed dot of 180 to an inch.
const Pixel = vg.Length(0.2)

// Crowded is the number of points from which dots would hide each other.
const Crowded = 2000

// Dots draws a glyph at each point over rising x; of a crowd, the range and the
// median of each narrow column, in a light and the full colour.
func Dots(x, y []float64, style draw.GlyphStyle) plot.Plotter {
	return Drawing(func(c draw.Canvas, p *plot.Plot, px, py func(float64) vg.Length) {
		x, y := drawable(p.X, x), drawable(p.Y, y)
		if len(x) > Crowded {
			crowd(c, x, y, px, py, style.Color)
			return
		}
		for i := range x {
			if math.IsNaN(x[i]) || math.IsNaN(y[i]) {
				continue
			}
			if pt := (vg.Point{X: px(x[i]), Y: py(y[i])}); c.Contains(pt) {
				c.DrawGlyph(style, pt)
			}
		}
	})
}

func crowd(c draw.Canvas, x, y []float64, px, py func(float64) vg.Length, ink color.Color) {
	const width = vg.Length(1.2)
	light := Stroke(colour.Pale(ink), width)
	full := Stroke(ink, 1.6)
	clip := func(v float64) vg.Length { return min(max(py(v), c.Min.Y), c.Max.Y) }
	var column []float64
	for i := 0; i < len(x); {
		at := math.Floor(float64((px(x[i]) - c.Min.X) / width))
		if math.IsNaN(at) {
			i++
			continue
		}
		column = column[:0]
		for ; i < len(x) && math.Floor(float64((px(x[i])-c.Min.X)/width)) == at; i++ {
			if !math.IsNaN(y[i]) {
				column = append(column, y[i])
			}
		}
		if len(column) == 0 {
			continue
		}
		slices.Sort(column)
		middle := c.Min.X + vg.Length(at+0.5)*width
		c.StrokeLine2(light, middle, clip(column[0]), middle, clip(column[len(column)-1]))
		median := clip(column[len(column)/2])
		c.StrokeLine2(full, middle-width/2, median, middle+width/2, median)
	}
}

// drawable replaces what a scale cannot show by NaN.
func drawable(a plot.Axis, values []float64) []float64 {
	_, log := a.Scale.(plot.LogScale)
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = v
		if math.IsInf(v, 0) || log && v <= 0 {
			out[i] = math.NaN()
		}
	}
	return out
}

// SpanOr is Span, or lo to hi where there is no value.
func SpanOr(positive bool, lo, hi float64, lists ...[]float64) (float64, float64) {
	if l, h, ok := Span(positive, lists...); ok {
		return l, h
	}
	return lo, hi
}

// Span returns the smallest and largest finite value (positive, if asked for)
// of all lists; ok is false if there is none.
func Span(positive bool, lists ...[]float64) (lo, hi float64, ok bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, list := range lists {
		for _, v := range list {
			if math.IsNaN(v) || math.IsInf(v, 0) || positive && v <= 0 {
				continue
			}
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	return lo, hi, lo <= hi
}

// Absolute are the values without their signs.
func Absolute(values []float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = math.Abs(v)
	}
	return out
}

// Rising is the order in which the keys of 0 to n−1 rise; equal ones stay.
func Rising(n int, key func(i int) float64) []int {
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(key(a), key(b)) })
	return order
}
