// Package figure draws results: plain slices in SI units go in, a Figure that
// writes itself as PNG or SVG comes out.
//
// Every figure keeps the same rules: units on the axes, colours that a
// colour-blind reader can tell apart, legends and labels outside the data or
// clear of it, and as many points as the paper can show.
package figure

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"tonepose/cmd/tonepose/internal/files"
)

const pngDPI = 180

// Figure is ready to be drawn, any number of times.
type Figure struct {
	width, height vg.Length
	title, note   string // note: a line of small print under the title
	legend        []entry
	body          func(draw.Canvas) // below title and legend
}

// Draw fills the canvas.
func (f *Figure) Draw(c draw.Canvas) {
	c.SetColor(white)
	c.Fill(c.Rectangle.Path())
	f.body(f.header(draw.Crop(c, margin, -margin, margin, -margin)))
}

// Write encodes the figure as "png" or "svg".
func (f *Figure) Write(w io.Writer, format string) error {
	var c vg.CanvasWriterTo
	switch format {
	case "png":
		c = vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(f.width, f.height), vgimg.UseDPI(pngDPI))}
	case "svg":
		c = vgsvg.New(f.width, f.height)
	default:
		return fmt.Errorf("figure: format %q: must be png or svg", format)
	}
	f.Draw(draw.New(c))
	_, err := c.WriteTo(w)
	return err
}

// Save adds the figure to files: as PNG or SVG, as the end of its name says.
func (f *Figure) Save(to *files.Batch, name string) error {
	return to.Fill(name, func(w io.Writer) error {
		return f.Write(w, strings.TrimPrefix(strings.ToLower(filepath.Ext(name)), "."))
	})
}
