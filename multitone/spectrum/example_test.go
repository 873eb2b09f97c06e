package spectrum_test

import (
	"fmt"
	"math"
	"math/rand/v2"

	"tonepose/multitone/spectrum"
)

// A pickup of an invented bench: two tones, the mains, and a weak line where an
// amplifier mixes the tones.
func Example() {
	const rate = 20e3
	rng := rand.New(rand.NewPCG(1, 5))
	x := make([]float64, 1<<18)
	for i := range x {
		t := float64(i) / rate
		x[i] = 1e-5*rng.NormFloat64() + 0.02*math.Cos(2*math.Pi*50.02*t) + 0.004*math.Cos(2*math.Pi*150.06*t) +
			0.3*math.Cos(2*math.Pi*5125*t) + 0.2*math.Cos(2*math.Pi*6375*t) + 1e-5*math.Cos(2*math.Pi*(2*5125-6375)*t)
	}
	w, err := spectrum.NewWelch(rate, 1<<14)
	if err != nil {
		fmt.Println(err)
		return
	}
	w.Add(x)
	d := w.Density()
	lines := d.Lines(d.Floor(64), 1e-3)
	c := spectrum.NewCatalogue(rate, []spectrum.Tone{{Name: "e1", Hz: 5125}, {Name: "e2", Hz: 6375}}, spectrum.Mains{Hz: 50.02, SigmaHz: spectrum.MainsWanderHz})
	for _, l := range lines {
		name := "unknown"
		if e := c.Explain(l.Hz, l.ToleranceHz); len(e) > 0 {
			name = e[0].Text
		}
		fmt.Printf("%7.1f Hz %8.2g V  %s\n", l.Hz, l.PeakV, name)
	}
	// Output:
	//    50.0 Hz     0.02 V  mains
	//   150.1 Hz    0.004 V  3 × mains
	//  3875.0 Hz    1e-05 V  2 × e1 − e2
	//  5125.0 Hz      0.3 V  e1
	//  6375.0 Hz      0.2 V  e2
}
