package chart

import (
	"testing"

	"golang.org/x/image/font/sfnt"
	"gonum.org/v1/plot/font"

	"tonepose/cmd/tonepose/internal/figure/colour"
)

// Every character that a figure prints must have a glyph: the library drops
// others without a word.
func TestFontHasEveryGlyph(t *testing.T) {
	face := font.DefaultCache.Lookup(Lettering(9, colour.Ink, 0, 0).Font, 9)
	var buffer sfnt.Buffer
	for _, r := range "0123456789 abcxyz/()µ−–√²·×%°ΩTGMkmnpf\u2009σχ" {
		if at, err := face.Face.GlyphIndex(&buffer, r); err != nil || at == 0 {
			t.Errorf("no glyph for %q", r)
		}
	}
}
