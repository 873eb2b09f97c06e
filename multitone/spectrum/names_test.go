package spectrum

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Frequencies worked out by hand for tones at 5125, 7250 and 11,375 Hz, mains at
// 50.01 Hz, 100 kHz sampling.
func TestExplain(t *testing.T) {
	tones := []Tone{{"e1", 5125, 0.01}, {"e2", 7250, 0.01}, {"e3", 11375, 0.01}}
	c := NewCatalogue(100e3, tones, Mains{Hz: 50.01, SigmaHz: 0.001})
	for _, w := range []struct {
		hz     float64
		text   string
		origin Origin
		alias  bool
	}{
		{5125, "e1", KnownTone, false},
		{150.03, "3 × mains", MainsHarmonic, false},
		{15375, "3 × e1", ToneHarmonic, false},
		{2125, "e2 − e1", Intermodulation, false},
		{12375, "e1 + e2", Intermodulation, false},
		{3000, "2 × e1 − e2", Intermodulation, false},
		{13500, "e2 + e3 − e1", Intermodulation, false},
		{23750, "e1 + e2 + e3", Intermodulation, false},
		{5225.02, "e1 + 2 × mains", MainsSideband, false},
		{7199.99, "e2 − mains", MainsSideband, false},
		// 8·7250 = 58,000 folds to 42,000; 19·5125 = 97,375 to 2,625.
		{42000, "alias of 8 × e2", ToneHarmonic, true},
		{2625, "alias of 19 × e1", ToneHarmonic, true},
	} {
		x := c.Explain(w.hz, 0.05)
		if len(x) == 0 {
			t.Errorf("%g Hz: no explanation, want %q", w.hz, w.text)
			continue
		}
		if x[0].Text != w.text || x[0].Origin != w.origin || x[0].Alias != w.alias {
			t.Errorf("%g Hz: %+v, want %q (%v)", w.hz, x[0], w.text, w.origin)
		}
		if !(x[0].Chance >= 0 && x[0].Chance < 0.02) || math.Abs(w.hz-x[0].Hz) > 1e-6 {
			t.Errorf("%g Hz: chance %g, offset %g", w.hz, x[0].Chance, w.hz-x[0].Hz)
		}
	}
	if x := c.Explain(1234.567, 0.05); len(x) != 0 {
		t.Errorf("1234.567 Hz explained as %+v", x)
	}
	if x := NewCatalogue(100e3, tones, Mains{}).Explain(150.03, 0.05); len(x) != 0 {
		t.Errorf("without mains 150 Hz is %+v", x)
	}
}

// Chance is the share of random frequencies that find an explanation as simple:
// 4000 trials scatter by √(p/4000).
func TestExplanationChance(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 3))
	var tones []Tone
	for range 8 {
		tones = append(tones, Tone{"e", 4000 + 10000*rng.Float64(), 0.1})
	}
	c := NewCatalogue(100e3, tones, Mains{Hz: 50, SigmaHz: 0.01})
	hits := 0
	const trials = 4000
	for range trials {
		if len(c.Explain(50e3*rng.Float64(), 1)) > 0 {
			hits++
		}
	}
	p := c.chance(math.Inf(1), 1)
	near(t, "share explained", float64(hits)/trials, p, 4*math.Sqrt(p/trials))
}

func TestAlias(t *testing.T) {
	for _, c := range [][3]float64{{30, 100, 30}, {70, 100, 30}, {130, 100, 30}, {170, 100, 30}, {50, 100, 50}, {200, 100, 0}} {
		if got := Alias(c[0], c[1]); got != c[2] {
			t.Errorf("%g Hz sampled at %g Hz appears at %g Hz, want %g", c[0], c[1], got, c[2])
		}
	}
}
