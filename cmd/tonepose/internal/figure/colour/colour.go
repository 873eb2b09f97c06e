// Package colour has the colours of figures: series that a colour-blind reader
// can tell apart, inks for text and frames, and maps of even steps.
package colour

import (
	"image/color"
	"math"
)

// Okabe and Ito, Color Universal Design (2008): eight colours that the common
// kinds of colour blindness keep apart; green and purple darker, as thin lines on white
// need it. Yellow is left out: too pale for lines; vermillion: too near Alarm.
var (
	Black   = color.NRGBA{0x00, 0x00, 0x00, 0xff}
	Orange  = color.NRGBA{0xe6, 0x9f, 0x00, 0xff}
	SkyBlue = color.NRGBA{0x56, 0xb4, 0xe9, 0xff}
	Green   = color.NRGBA{0x00, 0x7a, 0x59, 0xff}
	Blue    = color.NRGBA{0x00, 0x72, 0xb2, 0xff}

	Purple = color.NRGBA{0xa8, 0x50, 0x8a, 0xff}

	Series = []color.NRGBA{Blue, Purple, Green, Orange, SkyBlue, Black}
)

// Band is the truth, and where 95 % of cases lie.
var Band = RGB(0xbfe0f5)

// Alarm marks flags and estimated error, and nothing else.
var Alarm = RGB(0xb84300)

// Inks of everything that is not data.
var (
	White    = color.NRGBA{0xff, 0xff, 0xff, 0xff}
	Ink      = color.NRGBA{0x22, 0x22, 0x22, 0xff} // text
	SoftInk  = color.NRGBA{0x66, 0x66, 0x66, 0xff} // small print, leaders
	GridInk  = color.NRGBA{0xe4, 0xe4, 0xe4, 0xff}
	FrameInk = color.NRGBA{0x88, 0x88, 0x88, 0xff}
)

// Map colours a share 0 to 1; what lies outside takes the end's colour.
type Map []color.NRGBA

// Viridis is a perceptually uniform map, brightness rising evenly, at ten even
// stations; between them colours are interpolated. Values compared with a public copy;
// their evenness is tested.
var Viridis = Map{RGB(0x440154), RGB(0x482878), RGB(0x3e4a89), RGB(0x31688e), RGB(0x26828e),
	RGB(0x1f9e89), RGB(0x35b779), RGB(0x6dcd59), RGB(0xb4de2c), RGB(0xfde725)}

// Size is for errors and sigmas on white: from yellow, small, to dark, large. The palest
// part of Viridis is left out.
var Size = func() (m Map) {
	for k := range 10 {
		m = append(m, Viridis.At(0.92*(1-float64(k)/9)))
	}
	return m
}()

// Signed runs from blue over white to ochre, for values about zero; Ink can be read on
// all of it.
var Signed = Map{RGB(0x4a94ce), RGB(0xf7f7f7), RGB(0xb9922f)}

// At returns the colour of a share.
func (m Map) At(share float64) color.NRGBA {
	if math.IsNaN(share) {
		return RGB(0xdddddd)
	}
	at := min(max(share, 0), 1) * float64(len(m)-1)
	i := min(int(at), len(m)-2)
	return Mix(m[i], m[i+1], at-float64(i))
}

// RGB is the colour 0xrrggbb.
func RGB(v uint32) color.NRGBA {
	return color.NRGBA{uint8(v >> 16), uint8(v >> 8), uint8(v), 0xff}
}

// Mix blends a share of b into a.
func Mix(a, b color.NRGBA, share float64) color.NRGBA {
	blend := func(a, b uint8) uint8 { return uint8(math.Round(float64(a) + share*(float64(b)-float64(a)))) }
	return color.NRGBA{blend(a.R, b.R), blend(a.G, b.G), blend(a.B, b.B), 0xff}
}

// Pale is the colour mixed with white.
func Pale(ink color.Color) color.NRGBA {
	return Mix(color.NRGBAModel.Convert(ink).(color.NRGBA), White, 0.62)
}
