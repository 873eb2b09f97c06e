package chart

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"

	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// fallback are the faces that a reader's screen may have instead of the first, whose
// letters are as wide.
var fallback = []byte("font-family:'Liberation Sans',Arial,Helvetica,sans-serif;")

// svg is the figure with a title and a description for those who cannot see it, and
// with faces to fall back on.
func (f *Figure) svg() ([]byte, error) {
	c := vgsvg.New(f.Width, f.Height)
	f.Draw(draw.New(c))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return nil, err
	}
	text := bytes.ReplaceAll(b.Bytes(), []byte("font-family:Liberation Sans;"), fallback)
	var words bytes.Buffer
	for _, w := range [][2]string{{"title", f.Title}, {"desc", f.Description()}} {
		if w[1] == "" {
			continue
		}
		fmt.Fprintf(&words, "<%s>", w[0])
		if err := xml.EscapeText(&words, []byte(w[1])); err != nil {
			return nil, err
		}
		fmt.Fprintf(&words, "</%s>\n", w[0])
	}
	at := bytes.Index(text, []byte("<svg "))
	end := at + bytes.IndexByte(text[at:], '>')
	return bytes.Join([][]byte{text[:at], []byte(`<svg role="img" preserveAspectRatio="xMinYMin" `), text[at+len("<svg ") : end+1], []byte("\n"), words.Bytes(), text[end+2:]}, nil), nil
}

// Description tells in words what the figure shows: Alt, or else its note, and the
// names of its legend.
func (f *Figure) Description() string {
	words := f.Alt
	if words == "" {
		words = f.Note
	}
	for i, e := range f.Legend {
		switch {
		case i == 0 && words != "":
			words += "; shown: "
		case i == 0:
			words = "Shown: "
		default:
			words += ", "
		}
		words += e.name
	}
	return words
}

// WriteInline writes the figure as an element of an HTML page whose own text has its
// title and note.
func (f *Figure) WriteInline(w io.Writer) error {
	bare := *f
	bare.untitled = true
	bare.Height -= f.HeaderHeight() - bare.HeaderHeight()
	text, err := bare.svg()
	if err != nil {
		return err
	}
	_, err = w.Write(text[bytes.Index(text, []byte("<svg ")):])
	return err
}
