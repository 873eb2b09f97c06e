package rig

import (
	"errors"
	"math"
	"math/cmplx"
	"testing"
)

// design: V_adc = V_coil · gain · e^{−jω·delay}; a quarter period of delay turns
// by −90°.
func TestResponseOfGainAndDelay(t *testing.T) {
	c := Channel{Gain: 100, DelayS: 1 / (4 * 5e3)}
	h, err := c.Response(5e3)
	// A few roundings of ωτ = π/2 and of the sine.
	if err != nil || cmplx.Abs(h-complex(0, -100)) > 100*4e-16 {
		t.Errorf("got %v, %v; want -100j", h, err)
	}
}

// A delay and a power of frequency are what the interpolation promises to be
// exact for; phases as an instrument shows them, wrapped to ±180°.
func TestTableIsExactForDelayAndSlope(t *testing.T) {
	const delay = 40e-6
	truth := func(f float64) complex128 {
		return cmplx.Rect(3*math.Pow(f/1e3, -1.5), -2*math.Pi*f*delay)
	}
	c := Channel{}
	for f := 1e3; f < 50e3; f *= 1.3 { // up to 43e3·0.3·40e-6 = 0.4 turns a row
		h := truth(f)
		c.Table = append(c.Table, ResponsePoint{f, cmplx.Abs(h), cmplx.Phase(h) * 180 / math.Pi})
	}
	last := c.Table[len(c.Table)-1].Hz
	for f := 1e3; f < last*1.0009; f *= 1.007 {
		got, err := c.Response(f)
		// Rounding of phases up to 2·2π·50 kHz·40 µs = 25 rad.
		if want := truth(f); err != nil || cmplx.Abs(got-want) > 25*1e-15*cmplx.Abs(want) {
			t.Fatalf("%g Hz: %v, %v; want %v", f, got, err, want)
		}
	}
}

// A first-order low-pass, 1/(1+jf/fc), is not of that kind; the error of linear
// interpolation is h²/8 of the greatest second derivative: of ln|H| in ln f
// 1/2, of the phase in f 3√3/(8fc²).
func TestTableOfLowPass(t *testing.T) {
	const fc, ratio = 8e3, 1.1
	truth := func(f float64) complex128 { return 1 / complex(1, f/fc) }
	c := Channel{}
	for f := 1e3; f < 50e3; f *= ratio {
		h := truth(f)
		c.Table = append(c.Table, ResponsePoint{f, cmplx.Abs(h), cmplx.Phase(h) * 180 / math.Pi})
	}
	inGain := math.Pow(math.Log(ratio), 2) / 8 / 2
	for f := 1e3; f < 40e3; f *= 1.003 {
		got, err := c.Response(f)
		if err != nil {
			t.Fatal(err)
		}
		want := truth(f)
		inPhase := math.Pow(f*(ratio-1), 2) / 8 * 3 * math.Sqrt(3) / 8 / (fc * fc)
		if d := math.Abs(math.Log(cmplx.Abs(got) / cmplx.Abs(want))); d > inGain {
			t.Fatalf("%g Hz: ln gain off by %g, bound %g", f, d, inGain)
		}
		if d := math.Abs(cmplx.Phase(got / want)); d > inPhase {
			t.Fatalf("%g Hz: phase off by %g, bound %g", f, d, inPhase)
		}
	}
}

func TestResponseOutsideTheTable(t *testing.T) {
	c := &load(t, "square-bench.rig.yaml").Channels[3]
	for _, f := range []float64{998, 60.1e3, 0, math.NaN(), math.Inf(1)} {
		_, err := c.Response(f)
		var re *Error
		if !errors.As(err, &re) || re.Path != "channels[3].response" || re.Line != 14 {
			t.Errorf("%g Hz: %v", f, err)
		}
	}
	// 200 ppm of clock offset at the ends are served.
	for _, f := range []float64{1e3 * (1 - 200e-6), 60e3 * (1 + 200e-6)} {
		if _, err := c.Response(f); err != nil {
			t.Error(err)
		}
	}
	one := Channel{Table: []ResponsePoint{{5e3, 2, -90}}}
	if h, err := one.Response(5000.5); err != nil || cmplx.Abs(h+2i) > 1e-15*2 {
		t.Errorf("a table of one row: %v, %v", h, err)
	}
}
