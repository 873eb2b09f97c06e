package colour

import (
	"image/color"
	"math"
	"testing"
)

// L* of the sRGB primaries: Lindbloom, RGB/Lab calculator, D65: red 53.24,
// green 87.73, blue 32.30; recomputed by CIE 15 from their luminances.
func TestBrightness(t *testing.T) {
	for c, want := range map[color.NRGBA]float64{
		RGB(0x000000): 0, RGB(0xffffff): 100, RGB(0xff0000): 53.24, RGB(0x00ff00): 87.73, RGB(0x0000ff): 32.30,
	} {
		if have := brightness(c); math.Abs(have-want) > 0.01 {
			t.Errorf("%v: L* %.2f, want %.2f", c, have, want)
		}
	}
}

// What makes a sequential map readable, in grey too: brightness rises all the
// way. Even means here: no tenth has less than half of the mean rise.
func TestColorMapsRiseEvenly(t *testing.T) {
	for name, m := range map[string]Map{"viridis": Viridis} {
		mean := (brightness(m.At(1)) - brightness(m.At(0))) / 10
		for k := range 10 {
			rise := brightness(m.At(float64(k+1)/10)) - brightness(m.At(float64(k)/10))
			if rise < mean/2 || rise > mean*1.5 {
				t.Errorf("%s: L* rises by %.1f in tenth %d, on average by %.1f", name, rise, k, mean)
			}
		}
	}
	for k := range 50 { // the signed map darkens alike on both sides
		a, b := brightness(Signed.At(0.5+float64(k)/100)), brightness(Signed.At(0.5-float64(k)/100))
		if math.Abs(a-b) > 8 {
			t.Errorf("signed map at ±%.2f: L* %.0f and %.0f", float64(k)/50, a, b)
		}
	}
	if Signed.At(-3) != RGB(0x4a94ce) || Signed.At(7) != RGB(0xb9922f) || Signed.At(math.NaN()) == Signed.At(0.5) {
		t.Error("ends or missing value of the signed map")
	}
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
