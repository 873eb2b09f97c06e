package figure

import (
	"fmt"
	"math"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
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
	_, hi, ok := span(true, absolute(d.Value))
	if !ok {
		hi = 1
	}
	unit, prefix := prefixOf(hi)
	cell := vg.Point{X: max(44, widest(lettering(tickSize, ink, 0, 0), d.Columns)+12), Y: 22}
	inside := vg.Point{X: cell.X * vg.Length(len(d.Columns)), Y: cell.Y * vg.Length(len(d.Rows))}
	name := lettering(tickSize, ink, draw.XRight, draw.YCenter)
	left := widest(name, d.Rows) + 8
	const head, bar = vg.Length(18), vg.Length(88)
	f := &Figure{
		width: max(left+inside.X+bar+2*margin, 3.6*vg.Inch),
		title: d.Title, note: d.Note,
		body: func(c draw.Canvas) {
			r := vg.Rectangle{
				Min: vg.Point{X: c.Min.X + left, Y: c.Max.Y - head - inside.Y},
				Max: vg.Point{X: c.Min.X + left + inside.X, Y: c.Max.Y - head},
			}
			d.cells(c, r, cell, hi, unit)
			for i, row := range d.Rows {
				c.FillText(name, vg.Point{X: r.Min.X - 5, Y: r.Max.Y - cell.Y*vg.Length(float64(i)+0.5) + 1}, row)
			}
			top := lettering(tickSize, ink, draw.XCenter, draw.YBottom)
			for j, column := range d.Columns {
				c.FillText(top, vg.Point{X: r.Min.X + cell.X*vg.Length(float64(j)+0.5), Y: r.Max.Y + 5}, column)
			}
			side := vg.Rectangle{Min: vg.Point{X: r.Max.X + 14, Y: r.Min.Y}, Max: vg.Point{X: r.Max.X + 24, Y: r.Max.Y}}
			colorBar(c, side, signed, -hi, hi, linearTicks{unit: unit, count: 6}, fmt.Sprintf("%s (%s%s)", d.Quantity, prefix, d.Unit))
		},
	}
	f.height = f.headerHeight() + head + inside.Y + 2*margin
	return f
}

func (d MatrixData) cells(c draw.Canvas, r vg.Rectangle, cell vg.Point, hi, unit float64) {
	edge := stroke(white, 1)
	for i := range d.Rows {
		for j := range d.Columns {
			v := d.Value[i*len(d.Columns)+j]
			box := vg.Rectangle{Min: vg.Point{X: r.Min.X + cell.X*vg.Length(j), Y: r.Max.Y - cell.Y*vg.Length(i+1)}}
			box.Max = vg.Point{X: box.Min.X + cell.X, Y: box.Min.Y + cell.Y}
			fill := signed.At(0.5 + 0.5*v/hi)
			c.SetColor(fill)
			c.Fill(box.Path())
			c.StrokeLines(edge, outline(box))
			text := "–"
			if !math.IsNaN(v) {
				text = significant(v/unit, 3)
			}
			style := lettering(tickSize, readable(fill), draw.XCenter, draw.YCenter)
			c.FillText(style, vg.Point{X: (box.Min.X + box.Max.X) / 2, Y: (box.Min.Y+box.Max.Y)/2 + 1}, text)
		}
	}
}

// significant prints v, of magnitude up to 1000, to digits significant digits,
// but never finer than a thousandth.
func significant(v float64, digits int) string {
	before := 1
	if v != 0 {
		before = max(1, int(math.Floor(math.Log10(math.Abs(v))+1e-9))+1)
	}
	return number(v, max(0, digits-before))
}

func absolute(values []float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = math.Abs(v)
	}
	return out
}

func widest(style draw.TextStyle, texts []string) (w vg.Length) {
	for _, t := range texts {
		w = max(w, style.Width(t))
	}
	return w
}
