package figure

import (
	"image/color"
	"math"
)

// Okabe and Ito, Color Universal Design (2008): eight colours that the common
// kinds of colour blindness keep apart. Yellow is left out: too pale for lines.
var (
	black      = color.NRGBA{0x00, 0x00, 0x00, 0xff}
	orange     = color.NRGBA{0xe6, 0x9f, 0x00, 0xff}
	skyBlue    = color.NRGBA{0x56, 0xb4, 0xe9, 0xff}
	green      = color.NRGBA{0x00, 0x9e, 0x73, 0xff}
	blue       = color.NRGBA{0x00, 0x72, 0xb2, 0xff}
	vermillion = color.NRGBA{0xd5, 0x5e, 0x00, 0xff}
	purple     = color.NRGBA{0xcc, 0x79, 0xa7, 0xff}

	series = []color.NRGBA{blue, vermillion, green, purple, orange, skyBlue, black}
)

var (
	white    = color.NRGBA{0xff, 0xff, 0xff, 0xff}
	ink      = color.NRGBA{0x22, 0x22, 0x22, 0xff} // text
	softInk  = color.NRGBA{0x66, 0x66, 0x66, 0xff} // small print, leaders
	gridInk  = color.NRGBA{0xe4, 0xe4, 0xe4, 0xff}
	frameInk = color.NRGBA{0x88, 0x88, 0x88, 0xff}
)

// ColorMap colours a share 0 to 1; what lies outside takes the end's colour.
type ColorMap []color.NRGBA

// Perceptually uniform maps, brightness rising evenly, at ten even stations;
// between them colours are interpolated. Values from memory, their evenness is
// tested.
var (
	Viridis = ColorMap{rgb(0x440154), rgb(0x482878), rgb(0x3e4a89), rgb(0x31688e), rgb(0x26828e),
		rgb(0x1f9e89), rgb(0x35b779), rgb(0x6dcd59), rgb(0xb4de2c), rgb(0xfde725)}
	Cividis = ColorMap{rgb(0x00204d), rgb(0x00336f), rgb(0x39486b), rgb(0x575c6d), rgb(0x707173),
		rgb(0x8a8779), rgb(0xa69d75), rgb(0xc4b56c), rgb(0xe4cf5b), rgb(0xffea46)}
)

// signed runs from blue over white to vermillion, for values about zero.
var signed = ColorMap{blue, mix(blue, white, 0.45), rgb(0xf7f7f7), mix(vermillion, white, 0.45), vermillion}

// At returns the colour of a share.
func (m ColorMap) At(share float64) color.NRGBA {
	if math.IsNaN(share) {
		return rgb(0xdddddd)
	}
	at := min(max(share, 0), 1) * float64(len(m)-1)
	i := min(int(at), len(m)-2)
	return mix(m[i], m[i+1], at-float64(i))
}

func rgb(v uint32) color.NRGBA {
	return color.NRGBA{uint8(v >> 16), uint8(v >> 8), uint8(v), 0xff}
}

func mix(a, b color.NRGBA, share float64) color.NRGBA {
	blend := func(a, b uint8) uint8 { return uint8(math.Round(float64(a) + share*(float64(b)-float64(a)))) }
	return color.NRGBA{blend(a.R, b.R), blend(a.G, b.G), blend(a.B, b.B), 0xff}
}

// brightness is the CIE lightness L* of a colour, 0 black to 100 white.
// Source: CIE 15:2004; sRGB by IEC 61966-2-1.
func brightness(c color.NRGBA) float64 {
	linear := func(v uint8) float64 {
		s := float64(v) / 255
		if s <= 0.04045 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	y := 0.2126*linear(c.R) + 0.7152*linear(c.G) + 0.0722*linear(c.B)
	if y <= 216.0/24389 {
		return y * 24389 / 27
	}
	return 116*math.Cbrt(y) - 16
}

// readable is the ink for text on the colour.
func readable(c color.NRGBA) color.NRGBA {
	if brightness(c) < 60 {
		return white
	}
	return ink
}

// pale is the colour mixed with white.
func pale(ink color.Color) color.NRGBA {
	return mix(color.NRGBAModel.Convert(ink).(color.NRGBA), white, 0.62)
}

// reversed runs a map the other way.
func reversed(m ColorMap) ColorMap {
	out := make(ColorMap, len(m))
	for i, c := range m {
		out[len(m)-1-i] = c
	}
	return out
}
