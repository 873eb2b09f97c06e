package synth_test

import (
	"testing"

	"tonepose/multitone/synth"
)

// A bench of three pickups and a reference, eight tones, flicker and 80 mains
// harmonics: samples of all channels a second.
func BenchmarkGenerator(b *testing.B) {
	c := synth.Config{
		Rate: 100e3, Mains: synth.Mains{Hz: 50},
		Couplings: func(t float64, m, dm []complex128) error {
			for i := range m {
				m[i], dm[i] = 1e-7, 1e-7
			}
			return nil
		},
	}
	for k := range 8 {
		c.Tones = append(c.Tones, synth.Tone{Hz: 5000 + 1250*float64(k), Current: 0.5, Wander: synth.Wander{Relative: 0.01, Hz: 0.1}})
	}
	ohms := []complex128{1, 1, 1, 1, 1, 1, 1, 1}
	for i := range 4 {
		ch := synth.Channel{
			Noise: synth.Noise{Density: 1e-6, Corner: 500}, Mains: 1e-3,
			Quantiser: synth.Quantiser{Bits: 16, FullScale: 2.5}, Pickup: i < 3,
		}
		if i == 3 {
			ch.Transimpedance = ohms
		} else {
			ch.Delay = 1.5e-6
		}
		c.Channels = append(c.Channels, ch)
	}
	g, err := synth.New(c)
	if err != nil {
		b.Fatal(err)
	}
	volts := [][]float64{make([]float64, 1024), make([]float64, 1024), make([]float64, 1024), make([]float64, 1024)}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := g.ReadPlanar(volts); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)*4*1024/b.Elapsed().Seconds()/1e6, "Mchsamples/s")
}
