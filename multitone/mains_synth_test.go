package multitone_test

import (
	"math"
	"slices"
	"testing"

	"tonepose/multitone"
	"tonepose/multitone/synth"
)

// drives makes a channel that carries tones of one size, in 16 bits.
func drives(t *testing.T, samples int64, hz []float64, mains synth.Mains, level, noise float64) [][]float64 {
	t.Helper()
	c := synth.Config{Rate: 100e3, Samples: samples, Seed: 4, ClockPPM: 30, Mains: mains}
	ch := synth.Channel{Mains: level, Noise: synth.Noise{Density: noise}, Quantiser: synth.Quantiser{Bits: 16, FullScale: 2.5}}
	for k, f := range hz {
		c.Tones = append(c.Tones, synth.Tone{Hz: f, Current: 0.5, Phase: float64(k)})
		ch.Transimpedance = append(ch.Transimpedance, 0.5)
	}
	c.Channels = []synth.Channel{ch}
	g, err := synth.New(c)
	if err != nil {
		t.Fatal(err)
	}
	x := [][]float64{make([]float64, samples)}
	if _, err := g.ReadPlanar(x); err != nil {
		t.Fatal(err)
	}
	return x
}

func tonesAt(hz []float64) (list []multitone.Tone) {
	for _, f := range hz {
		list = append(list, multitone.Tone{Hz: f})
	}
	return list
}

// Drives without noise are no mains: not where a tone is nearly a harmonic of
// it, not with harmonics of a low tone, not where a window is short.
func TestMainsKnowsTheTones(t *testing.T) {
	for _, c := range []struct {
		samples int64
		hz      []float64
	}{
		{30000, []float64{5125, 6325, 7575, 8925, 10275, 11675, 13125, 14925}},
		{30000, []float64{5101, 6302, 13125}},
		{100000, []float64{5101, 6302, 13125}},
		{400000, []float64{420.6, 5101}},
	} {
		m := multitone.NewMains(100e3, 1, tonesAt(c.hz))
		m.Write(drives(t, c.samples, c.hz, synth.Mains{}, 0, 0))
		if f, _, lines := m.Lines(); f != 0 || lines != nil {
			t.Errorf("%d samples, tones %v: mains of %.4f Hz, %.2f", c.samples, c.hz, f, lines)
		}
	}
}

// Real mains beside the tones is found, and no tone is listed among its
// harmonics: 5101 Hz lies 0.7 Hz beside the 85th, in reach of its lobe, which
// is two bins of 0.25 Hz, and the clock's 200 ppm.
func TestMainsBesideTones(t *testing.T) {
	hz := []float64{5101, 6302, 13125}
	m := multitone.NewMains(100e3, 1, tonesAt(hz))
	m.Write(drives(t, 400000, hz, synth.Mains{Hz: 60.02, Harmonics: 90}, 1e-3, 2e-7))
	f, sigma, lines := m.Lines()
	if math.Abs(f-60.02) > 5*sigma {
		t.Errorf("fundamental %.5f ± %.5f Hz, want 60.02", f, sigma)
	}
	if len(lines) < 10 {
		t.Errorf("%d harmonics, want most of 90", len(lines))
	}
	for _, tone := range hz {
		if slices.ContainsFunc(lines, func(l multitone.Line) bool { return math.Abs(l.Hz-tone) < 1 }) {
			t.Errorf("tone %g Hz is listed as a harmonic of the mains: %.2f", tone, lines)
		}
	}
}

// Of a stream the last seconds are kept: what they say is what a search of just
// these says, also when it is asked while more is written.
func TestMainsOfTheLatestSeconds(t *testing.T) {
	hz := []float64{5125}
	x := drives(t, 700000, hz, synth.Mains{Hz: 49.97}, 1e-3, 2e-7)
	latest := multitone.NewMains(100e3, 1, tonesAt(hz))
	latest.Latest = true
	for _, part := range [][2]int{{0, 123456}, {123456, 400000}, {400000, 650003}, {650003, 700000}} {
		latest.Write([][]float64{x[0][part[0]:part[1]]})
		if part[1] < 400000 {
			continue
		}
		const ratio = 5 // the search's rate is 20 kHz: the last whole values are these
		stop := part[1] / ratio * ratio
		// A value takes samples from the step before: one step more, and the first value is left out.
		want := multitone.NewMains(100e3, 1, tonesAt(hz))
		want.Write([][]float64{x[0][stop-400000 : stop]})
		f, sigma, _ := want.Lines()
		for name, m := range map[string]*multitone.Mains{"itself": latest, "snapshot": latest.Snapshot()} {
			// But for half a step at the start, of 80,000.
			if g, _, _ := m.Lines(); math.Abs(g-f) > sigma/100 {
				t.Errorf("after %d samples, %s: %.6f Hz, of these alone %.6f ± %.6f", part[1], name, g, f, sigma)
			}
		}
	}
}
