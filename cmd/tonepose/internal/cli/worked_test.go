package cli

import (
	"io"
	"math"
	"math/cmplx"
	"path/filepath"
	"testing"

	"tonepose/multitone/synth"
	"tonepose/testdata/published"
)

// Worked examples of measuring without a rig. All data are invented and
// simulated here; channel 1 is the signal, channel 2 the reference.

// simulated draws all samples of a synthetic recording into a file.
func simulated(t *testing.T, c synth.Config) []string {
	t.Helper()
	g, err := synth.New(c)
	if err != nil {
		t.Fatal(err)
	}
	x := make([][]float64, len(c.Channels))
	for i := range x {
		x[i] = make([]float64, c.Samples)
	}
	if _, err := g.ReadPlanar(x); err != nil && err != io.EOF {
		t.Fatal(err)
	}
	return rawFile(t, c.Rate, x...)
}

// A bridge of four 350 Ω gauges on a 2.25 kHz carrier of 5 V peak gives a
// quarter of ΔR/R of one arm: the load makes it rise by 4 µV/V in a second,
// 20 µV in all, under 40 nV/√Hz of noise, 3 mV of mains hum and an offset.
//
//	tonepose measure bridge --signal bridge --reference carrier --lowpass cascade4 --time-constant 8ms --out run
func TestResistiveBridge(t *testing.T) {
	t.Parallel()
	const carrier, volts, full = 2250.0, 5.0, 4e-6
	imbalance := func(t float64) (value, rate float64) {
		switch {
		case t < 0.5:
			return 0, 0
		case t < 1.5:
			return full * (t - 0.5), full
		}
		return full, 0
	}
	file := simulated(t, synth.Config{
		Rate: 50e3, Samples: 100e3, Seed: 3, ClockPPM: 17, Mains: synth.Mains{Hz: 50.03, Harmonics: 9},
		Tones: []synth.Tone{{Hz: carrier, Current: 1, Phase: 0.3}},
		Channels: []synth.Channel{
			{Pickup: true, Noise: synth.Noise{Density: 40e-9}, Mains: 3e-3, Offset: 2e-4},
			{Transimpedance: []complex128{volts}, Noise: synth.Noise{Density: 1e-6}},
		},
		// The generator speaks of coils, v = −dλ/dt: λ = j·v/ω makes the bridge.
		Couplings: func(t float64, m, dm []complex128) error {
			value, rate := imbalance(t)
			m[0] = complex(0, volts*value/(2*math.Pi*carrier*(1+17e-6)))
			dm[0] = complex(0, volts*rate/(2*math.Pi*carrier*(1+17e-6)))
			return nil
		},
	})
	dir := filepath.Join(t.TempDir(), "run")
	tonepose(t, append(append([]string{"measure"}, file...), "--signal", "ch1", "--reference", "ch2", "--lowpass", "cascade4", "--time-constant", "8ms", "--out", dir, "--quiet")...)
	rows := demodulatedRows(t, dir)
	outside := 0
	for _, r := range rows {
		want, _ := imbalance(r.Time)
		if math.Abs(r.Time-0.5) < 0.1 || math.Abs(r.Time-1.5) < 0.1 {
			continue // the low-pass rounds the corners of the load
		}
		// An rms amplitude has density·√ENBW, each component √2 of that; a
		// cascade of four has ENBW = 5/(64 τ) (rc_cascade_enbw_settling.csv).
		if expected := 40e-9 * math.Sqrt2 * math.Sqrt(5.0/64/8e-3); math.Abs(r.Sigma/expected-1) > 0.15 {
			t.Fatalf("sigma %.3g V at %.3f s, want %.3g", r.Sigma, r.Time, expected)
		}
		if math.Abs(r.InPhase-volts*want) > 4.5*r.Sigma || math.Abs(r.Quadrature) > 4.5*r.Sigma {
			outside++
		}
	}
	if len(rows) < 60 || outside > 0 {
		t.Errorf("%d of %d rows off by more than 4.5 sigmas", outside, len(rows))
	}
}

// Light chopped at 317 Hz falls on a photodiode that answers 40 µs late; the
// chopper's own square wave is the reference. Of the signal's 30 µV square the
// odd harmonics 4/(π·n) are measured, each with n times the delay's phase, and
// no second one.
//
//	tonepose measure chopped --signal diode --reference chopper --harmonics 1,2,3,5 --json
func TestChoppedLight(t *testing.T) {
	t.Parallel()
	const chop, delay, light, density = 317.0, 40e-6, 30e-6, 200e-9
	config := synth.Config{Rate: 40e3, Samples: 120e3, Seed: 5, Mains: synth.Mains{Hz: 49.98, Harmonics: 5},
		Channels: []synth.Channel{
			{Noise: synth.Noise{Density: density}, Mains: 2e-4, Offset: 5e-3, Drift: 1e-4, Delay: delay},
			{Noise: synth.Noise{Density: 1e-6}},
		}}
	for n := 1.0; n*chop < 18e3; n += 2 { // behind an anti-alias filter
		sign := 1 - 2*float64(int(n/2)%2)
		config.Tones = append(config.Tones, synth.Tone{Hz: n * chop, Current: sign * 4 / math.Pi / n, Phase: n * 0.4})
		config.Channels[0].Transimpedance = append(config.Channels[0].Transimpedance, light)
		config.Channels[1].Transimpedance = append(config.Channels[1].Transimpedance, 1)
	}
	p := measuredPair(t, simulated(t, config), "--harmonics", "1,2,3,5")
	if len(p.Harmonics) != 4 {
		t.Fatalf("%d harmonics", len(p.Harmonics))
	}
	sigma := density / math.Sqrt(2*3) // √ENBW of 3 s
	for _, h := range p.Harmonics {
		n := float64(h.Number)
		want := cmplx.Rect(light*4/math.Pi/n/math.Sqrt2, -2*math.Pi*n*chop*delay)
		switch h.Number {
		case 2:
			want = 0
		case 3:
			want = -want // a square wave's third harmonic opposes its first at the crest
		}
		got := cmplx.Rect(h.AmplitudeRMSV, h.PhaseDeg*math.Pi/180)
		if cmplx.Abs(got-want) > 4.5*sigma {
			t.Errorf("harmonic %d: %v, want %v, sigma %.2g", h.Number, got, want, sigma)
		}
		if math.Abs(h.SigmaAmplitudeRMSV/sigma-1) > 0.2 {
			t.Errorf("harmonic %d: sigma %.3g, want %.3g", h.Number, h.SigmaAmplitudeRMSV, sigma)
		}
	}
}

// A tone of 1 kHz reaches a microphone 0.1 m away: its phase lag tells the
// distance by the speed of sound, and the lag at a temperature stands in
// speed_of_sound.csv (ISO 9613-1:1993 annex A; about 8.6 cm make a quarter
// turn at 20 °C).
//
//	tonepose measure path --signal microphone --reference loudspeaker
func TestAcousticPath(t *testing.T) {
	t.Parallel()
	const hz, rate, samples = 1000.0, 48e3, 24000
	for _, row := range published.Table(t, "speed_of_sound.csv") {
		speed, lag := row.Number("speed_of_sound_m_per_s"), row.Number("phase_lag_deg_1kHz_over_0.1m")
		if by := 343.2 * math.Sqrt((row.Number("temperature_C")+273.15)/293.15); math.Abs(by/speed-1) > 1e-9 {
			t.Errorf("%g °C: %g m/s, ISO 9613-1 gives %g", row.Number("temperature_C"), speed, by)
		}
		p := measuredPair(t, simulated(t, synth.Config{Rate: rate, Samples: samples, Seed: 8,
			Tones: []synth.Tone{{Hz: hz, Current: 1, Phase: 1.1}},
			Channels: []synth.Channel{
				{Transimpedance: []complex128{0.02}, Delay: 0.1 / speed, Noise: synth.Noise{Density: 5e-6}},
				{Transimpedance: []complex128{1}, Noise: synth.Noise{Density: 5e-6}},
			}}))
		if math.Abs(p.PhaseDeg+lag) > 4*p.SigmaPhaseDeg+1e-7 { // the table has ten digits
			t.Errorf("%g °C: phase %.5f° ± %.2g, want −%.5f°", row.Number("temperature_C"), p.PhaseDeg, p.SigmaPhaseDeg, lag)
		}
		if distance := -p.PhaseDeg / 360 * speed / hz; math.Abs(distance-0.1) > 1e-4 {
			t.Errorf("%g °C: %.5f m, want 0.1", row.Number("temperature_C"), distance)
		}
	}
}

// The microphone is drawn away from 0.1 m to 1.1 m at 0.25 m/s: nearly three
// turns, which the unwrapped phase follows, and the wavelength turns into
// distance. Moving away lowers what arrives by v/c: the Doppler effect is in
// the phase already.
//
//	tonepose measure path --signal microphone --reference loudspeaker --window 20ms --out run
func TestAcousticDistance(t *testing.T) {
	t.Parallel()
	const hz, rate, n, speed = 1000.0, 48e3, 4 * 48000, 343.2
	distance := func(t float64) float64 { return 0.1 + 0.25*t }
	microphone := samples(n, rate, 1e-3, 1, func(t float64) float64 {
		// what arrives now left the loudspeaker d/c ago
		return 0.02 * math.Cos(2*math.Pi*hz*(t-distance(t)/speed)+1.1)
	})
	loudspeaker := samples(n, rate, 1e-3, 2, func(t float64) float64 { return math.Cos(2*math.Pi*hz*t + 1.1) })
	dir := filepath.Join(t.TempDir(), "run")
	tonepose(t, append(append([]string{"measure"}, rawFile(t, rate, microphone, loudspeaker)...), "--signal", "ch1", "--reference", "ch2", "--window", "20ms", "--out", dir, "--quiet")...)
	rows := demodulatedRows(t, dir)
	if len(rows) != 200 {
		t.Errorf("%d rows of 20 ms in 4 s", len(rows))
	}
	for _, r := range rows {
		// The first row's phase lies within half a turn: −105° at 0.1 m.
		got := -r.Unwrapped / 360 * speed / hz
		if want := distance(r.Time); math.Abs(got-want) > 5*r.SigmaPhase/360*speed/hz {
			t.Fatalf("%.5f m at %.3f s, want %.5f", got, r.Time, want)
		}
	}
}
