package simulate

import (
	"bufio"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"tonepose/testdata/published"
)

// ISO 9613-1:1993, annex A: the speed, and the lag of 1 kHz over 0.1 m.
func TestAcousticPathAgainstISO9613(t *testing.T) {
	for _, row := range published.Table(t, "speed_of_sound.csv") {
		celsius := row.Number("temperature_C")
		// Printed to ten digits.
		if have, want := SpeedOfSound(celsius), row.Number("speed_of_sound_m_per_s"); math.Abs(have-want) > 5e-8 {
			t.Errorf("%g °C: %.9g m/s, want %.9g", celsius, have, want)
		}
		part := AcousticPath(1, 1000, 0.1, celsius)
		if have, want := -part.PhaseRad*180/math.Pi, row.Number("phase_lag_deg_1kHz_over_0.1m"); math.Abs(have-want) > 1e-7 {
			t.Errorf("%g °C: lag of %.10g°, want %.10g°", celsius, have, want)
		}
	}
}

// columns reads time, signal and reference of a CSV recording.
func columns(t *testing.T, name string) (x [3][]float64) {
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		for i, cell := range strings.Split(lines.Text(), ",") {
			if v, err := strconv.ParseFloat(cell, 64); err == nil {
				x[i] = append(x[i], v)
			}
		}
	}
	return x
}

// phasor is the peak phasor of a stretch of whole periods at a frequency, by its
// Fourier sum.
func phasor(x []float64, cycles float64) (sum complex128) {
	for i, v := range x {
		sum += complex(2*v/float64(len(x)), 0) * cmplx.Rect(1, -2*math.Pi*cycles*float64(i)/float64(len(x)))
	}
	return sum
}

// A chopped level L has the peaks 2L/(πn) at odd harmonics n, none at even ones, the
// mean L/2, and a delay of the fundamental's phase φ shifts harmonic n by nφ: the
// Fourier series of a square wave.
func TestChoppedLightHasItsHarmonics(t *testing.T) {
	out := filepath.Join(t.TempDir(), "light.csv")
	p := Pair{RateHz: 20000, DurationS: 0.2, ToneHz: 400, Shape: Square, ReferenceV: 1, FullScaleV: 2.5,
		Parts: []Part{{LevelV: 1e-3, PhaseRad: -0.1}, {LevelV: 2e-3, PhaseRad: -0.1}}}
	s, err := WritePair(t.Context(), p, out, nil)
	if err != nil {
		t.Fatal(err)
	}
	x := columns(t, out)
	if len(x[1]) != 4000 || s.Samples != 4000 {
		t.Fatalf("%d samples, %d are said", len(x[1]), s.Samples)
	}
	for part, level := range []float64{1e-3, 2e-3} {
		signal, reference := x[1][2000*part:2000*(part+1)], x[2][2000*part:2000*(part+1)]
		ref := cmplx.Phase(phasor(reference, 40))
		if have := real(phasor(signal, 0)) / 2; math.Abs(have-level/2) > 1e-9 {
			t.Errorf("part %d: mean %g V, want half of %g", part, have, level)
		}
		for n := 1; n <= 7; n++ {
			h := float64(n)
			want := complex(0, 0)
			if n%2 == 1 {
				want = cmplx.Rect(2*level/(math.Pi*h), h*(ref-0.1)+math.Pi*float64(n/2%2))
			}
			// A CSV's cells are rounded to nine digits or so.
			if have := phasor(signal, 40*h); cmplx.Abs(have-want) > 1e-6*level {
				t.Errorf("part %d, harmonic %d: %v, want %v", part, n, have, want)
			}
		}
	}
	truth, err := os.ReadFile(s.Truth)
	if want := "start_s,stop_s,amplitude_v,phase_deg\n0,0.1,0.000636619772,-5.72957795\n0.1,0.2,0.00127323954,-5.72957795\n"; err != nil || string(truth) != want {
		t.Errorf("truth %q, %v", truth, err)
	}
}

// White noise of density d has the variance d²·rate/2 on both channels; equal calls give
// equal files.
func TestPairNoiseAndSeed(t *testing.T) {
	dir := t.TempDir()
	p := Pair{RateHz: 20000, DurationS: 2, ToneHz: 1000, Parts: []Part{{}}, ReferenceV: 1e-9, Noise: 1e-6, FullScaleV: 1, Seed: 3}
	for _, name := range []string{"a.csv", "b.csv"} {
		if _, err := WritePair(t.Context(), p, filepath.Join(dir, name), nil); err != nil {
			t.Fatal(err)
		}
	}
	a, _ := os.ReadFile(filepath.Join(dir, "a.csv"))
	b, _ := os.ReadFile(filepath.Join(dir, "b.csv"))
	if len(a) == 0 || string(a) != string(b) {
		t.Error("equal calls give different files")
	}
	x := columns(t, filepath.Join(dir, "a.csv"))
	for c := 1; c <= 2; c++ {
		sum := 0.0
		for _, v := range x[c] {
			sum += v * v
		}
		// 40,000 numbers know their variance to √(2/40000) = 0.7 %: four of these.
		if have, want := sum/float64(len(x[c])), 1e-12*10000; math.Abs(have/want-1) > 0.028 {
			t.Errorf("channel %d: variance %g, want %g", c, have, want)
		}
	}
}

func TestPairRefuses(t *testing.T) {
	good := Pair{RateHz: 20000, DurationS: 1, ToneHz: 1000, Parts: []Part{{LevelV: 1}}, ReferenceV: 1, FullScaleV: 1}
	for want, change := range map[string]func(*Pair){
		"tone 10000 Hz: must lie below half the sample rate, 10000 Hz": func(p *Pair) { p.ToneHz = 10000 },
		"no part: give the signal a level":                             func(p *Pair) { p.Parts = nil },
		"duration 0: must be positive":                                 func(p *Pair) { p.DurationS = 0 },
	} {
		p := good
		change(&p)
		if _, err := WritePair(t.Context(), p, filepath.Join(t.TempDir(), "x.csv"), nil); err == nil || err.Error() != want {
			t.Errorf("%v, want %q", err, want)
		}
	}
}
