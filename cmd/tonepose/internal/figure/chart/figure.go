// Package chart is what figures are made of: the frame with title and legend,
// panels with their axes and ticks, where panels and labels go, and lines and
// dots that stay as small as the paper can show.
package chart

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"

	"tonepose/cmd/tonepose/internal/figure/colour"
	"tonepose/cmd/tonepose/internal/files"
)

const pngDPI = 180

// Figure is ready to be drawn, any number of times.
type Figure struct {
	Width, Height vg.Length
	Title, Note   string // note: a line of small print under the title
	Alt           string // what it shows, for those who cannot see it; empty: the note
	Legend        []Entry
	Body          func(draw.Canvas) // below title and legend

	untitled bool // title and note stand elsewhere
}

// Draw fills the canvas.
func (f *Figure) Draw(c draw.Canvas) {
	c.SetColor(colour.White)
	c.Fill(c.Rectangle.Path())
	f.Body(f.header(draw.Crop(c, Margin, -Margin, Margin, -Margin)))
}

// Formats are those that Write knows.
var Formats = []string{"png", "svg", "pdf"}

// Write encodes the figure in one of Formats. The same figure gives the same bytes.
func (f *Figure) Write(w io.Writer, format string) error {
	switch format {
	case "png":
		c := vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(f.Width, f.Height), vgimg.UseDPI(pngDPI))}
		f.Draw(draw.New(c))
		_, err := c.WriteTo(w)
		return err
	case "svg":
		text, err := f.svg()
		if err != nil {
			return err
		}
		_, err = w.Write(text)
		return err
	case "pdf":
		return f.pdf(w)
	}
	return fmt.Errorf("figure: format %q: must be png, svg or pdf", format)
}

// Save adds the figure to files, in the format that the end of its name says.
func (f *Figure) Save(to *files.Batch, name string) error {
	return to.Fill(name, func(w io.Writer) error {
		return f.Write(w, strings.TrimPrefix(strings.ToLower(filepath.Ext(name)), "."))
	})
}
