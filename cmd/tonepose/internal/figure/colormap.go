package figure

import (
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
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

// colorBar draws the map from lo to hi with ticks on its right, in r.
func colorBar(c draw.Canvas, r vg.Rectangle, m ColorMap, lo, hi float64, marker plot.Ticker, label string) {
	const strips = 128
	height := (r.Max.Y - r.Min.Y) / strips
	for i := range strips {
		c.SetColor(m.At((float64(i) + 0.5) / strips))
		y := r.Min.Y + height*vg.Length(i)
		// Each strip reaches under the next, so that no seam shows.
		c.Fill(vg.Rectangle{Min: vg.Point{X: r.Min.X, Y: y}, Max: vg.Point{X: r.Max.X, Y: min(y+2*height, r.Max.Y)}}.Path())
	}
	frame := stroke(frameInk, 0.6)
	c.StrokeLines(frame, outline(r))
	style := lettering(tickSize, ink, draw.XLeft, draw.YCenter)
	var widest vg.Length
	for _, t := range marker.Ticks(lo, hi) {
		if t.IsMinor() {
			continue
		}
		y := r.Min.Y + (r.Max.Y-r.Min.Y)*vg.Length((t.Value-lo)/(hi-lo))
		c.StrokeLine2(frame, r.Max.X, y, r.Max.X+3, y)
		c.FillText(style, vg.Point{X: r.Max.X + 5, Y: y}, t.Label)
		widest = max(widest, style.Width(t.Label))
	}
	side := lettering(labelSize, ink, draw.XCenter, draw.YTop)
	side.Rotation = math.Pi / 2
	c.FillText(side, vg.Point{X: r.Max.X + 5 + widest + 2, Y: (r.Min.Y + r.Max.Y) / 2}, label)
}
