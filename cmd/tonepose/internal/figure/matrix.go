package figure

import (
	"math"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// MatrixData is a coupling matrix: one row an emitter, one column a coil.
type MatrixData struct {
	Title, Note string

	Rows, Columns []string
	Value         []float64 // signed, row by row; NaN: no value
	Quantity      string    // "coupling"
	Unit          string    // of Value, without prefix: "H"
}

// Matrix draws signed values as a map with the numbers in its cells. Colours
// run evenly from −max to max, so a pale cell is a weak one.
func Matrix(d MatrixData) *Figure {
	_, hi := chart.SpanOr(true, 1, 1, chart.Absolute(d.Value))
	unit, shown := chart.Scale(hi, d.Unit)
	cell := vg.Point{X: max(44, chart.Widest(chart.Lettering(chart.TickSize, colour.Ink, 0, 0), d.Columns)+12), Y: 22}
	inside := vg.Point{X: cell.X * vg.Length(len(d.Columns)), Y: cell.Y * vg.Length(len(d.Rows))}
	name := chart.Lettering(chart.TickSize, colour.Ink, draw.XRight, draw.YCenter)
	left := chart.Widest(name, d.Rows) + 8
	const head, bar = vg.Length(18), vg.Length(88)
	f := &Figure{
		Width: max(left+inside.X+bar+2*chart.Margin, 3.6*vg.Inch),
		Title: d.Title, Note: d.Note,
		Body: func(c draw.Canvas) {
			r := chart.Box(c.Min.X+left, c.Max.Y-head-inside.Y, c.Min.X+left+inside.X, c.Max.Y-head)
			d.cells(c, r, cell, hi, unit)
			for i, row := range d.Rows {
				c.FillText(name, vg.Point{X: r.Min.X - 5, Y: r.Max.Y - cell.Y*vg.Length(float64(i)+0.5) + 1}, row)
			}
			top := chart.Lettering(chart.TickSize, colour.Ink, draw.XCenter, draw.YBottom)
			for j, column := range d.Columns {
				c.FillText(top, vg.Point{X: r.Min.X + cell.X*vg.Length(float64(j)+0.5), Y: r.Max.Y + 5}, column)
			}
			chart.ColourBar(c, r, colour.Signed, -hi, hi, chart.Linear, chart.LinearTicks{Unit: unit, Count: 6}, chart.In(d.Quantity, shown))
		},
	}
	f.Height = f.HeaderHeight() + head + inside.Y + 2*chart.Margin
	return f
}

func (d MatrixData) cells(c draw.Canvas, r vg.Rectangle, cell vg.Point, hi, unit float64) {
	edge := chart.Stroke(colour.White, 1)
	for i := range d.Rows {
		for j := range d.Columns {
			v := d.Value[i*len(d.Columns)+j]
			x, y := r.Min.X+cell.X*vg.Length(j), r.Max.Y-cell.Y*vg.Length(i+1)
			inside, shade := chart.Box(x, y, x+cell.X, y+cell.Y), colour.Signed.At(0.5+0.5*v/hi)
			chart.Fill(c, shade, inside)
			c.StrokeLines(edge, chart.Outline(inside))
			text := "–"
			if !math.IsNaN(v) {
				text = chart.Significant(v/unit, 3)
			}
			style := chart.Lettering(chart.TickSize, colour.Ink, draw.XCenter, draw.YCenter)
			c.FillText(style, vg.Point{X: (inside.Min.X + inside.Max.X) / 2, Y: (inside.Min.Y+inside.Max.Y)/2 + 1}, text)
		}
	}
}
