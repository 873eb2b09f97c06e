package spectrum

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

func addSine(x []float64, rate, hz, amplitude, phase float64) {
	for i := range x {
		x[i] += amplitude * math.Cos(2*math.Pi*hz*float64(i)/rate+phase)
	}
}

// A clean sine comes back without bias at any place between two bins. The image at
// −f leaks in at the level of the sidelobes: −92 dB of Blackman–Harris and −32 dB
// falling by 18 dB an octave of Hann, 60 bins away, moves the amplitude by 3e-5 and
// 1e-5 and the place by as much in bins; the prototype of 1024 samples is exact for
// the segment's length here.
func TestCleanSine(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const rate, size = 1000.0, 1000
	for _, name := range []string{"hann", "blackman-harris", "kaiser:3", "hft95"} {
		tol := 1e-4
		for _, offset := range []float64{-0.49, -0.3, -0.01, 0, 0.2, 0.45} {
			x := whiteNoise(rng, 8000, 1e-9)
			hz := 61 + offset
			addSine(x, rate, hz, 0.25, 1)
			w := newWelch(rate, size, taper(t, name), 2.0/3)
			w.Add(x)
			d := w.Density()
			lines := d.Lines(d.Floor(64), 1e-3)
			if len(lines) == 0 {
				t.Fatalf("%s: no line", name)
			}
			best := lines[0]
			for _, l := range lines {
				if l.PeakV > best.PeakV {
					best = l
				}
			}
			near(t, fmt.Sprintf("%s, %g bins off: frequency", name, offset), best.Hz, hz, tol)
			near(t, fmt.Sprintf("%s, %g bins off: amplitude", name, offset), best.PeakV, 0.25, 0.25*2*tol)
			if name != "hann" && len(lines) != 1 {
				t.Errorf("%s, %g bins off: %d lines for one sine: %+v", name, offset, len(lines), lines)
			}
		}
	}
}

// In white noise at most the promised share of spectra shows a line. 300 trials at
// 10 %: mean 30, standard deviation 5.2; up to four of them above are allowed. The
// promise is a bound (bins are correlated), so there is no lower limit but that the
// test is not dead.
func TestFalseAlarmsStayBelowThePromise(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	for _, segments := range []int{1, 4, 30} {
		alarms := 0
		const trials = 300
		for range trials {
			w := newWelch(1, 512, taper(t, "blackman-harris"), 0)
			w.Add(whiteNoise(rng, 512*segments, 1))
			d := w.Density()
			if len(d.Lines(d.Floor(64), 0.1)) > 0 {
				alarms++
			}
		}
		t.Logf("%d segments: %d alarms in %d", segments, alarms, trials)
		if alarms > 30+21 || alarms == 0 {
			t.Errorf("%d segments: %d of %d spectra of noise show a line, want at most about 30", segments, alarms, trials)
		}
	}
}

// SigmaHz is the scatter of the frequency, and 20 dB over the floor of one bin the
// amplitude is right to its noise. 200 trials give a standard deviation to 5 %; the
// sigma itself is linear in the noise and good to 10 % here.
func TestLineSigma(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 2))
	const rate, size = 1000.0, 500
	for _, name := range []string{"hann", "blackman-harris"} {
		for _, offset := range []float64{0.13, 0.4} {
			var z2, amp float64
			const trials = 200
			for range trials {
				x := whiteNoise(rng, 4000, 1)
				hz := (100 + offset) * rate / size
				addSine(x, rate, hz, 0.8, 2*math.Pi*rng.Float64())
				w := newWelch(rate, size, taper(t, name), 2.0/3)
				w.Add(x)
				d := w.Density()
				var best Line
				for _, l := range d.Lines(d.Floor(64), 1e-3) {
					if l.PeakV > best.PeakV {
						best = l
					}
				}
				z := (best.Hz - hz) / best.SigmaHz
				z2 += z * z / trials
				amp += best.PeakV / trials
			}
			t.Logf("%s, %g bins off: z %.3f, amplitude %.5f", name, offset, math.Sqrt(z2), amp)
			near(t, fmt.Sprintf("%s, %g bins off: scatter over sigma", name, offset), math.Sqrt(z2), 1, 0.1+4*0.05)
			// One trial's amplitude scatters by √(S·ENBW/independent)/A < 2 %.
			near(t, fmt.Sprintf("%s, %g bins off: amplitude", name, offset), amp, 0.8, 0.8*4*0.02/math.Sqrt(trials)+0.8*0.005)
		}
	}
}

// Two sines 80 dB apart and a handful of bins: the weak one is found under
// Blackman–Harris and nothing else is.
func TestWeakLineBesideAStrongOne(t *testing.T) {
	const rate = 1e4
	x := whiteNoise(rand.New(rand.NewPCG(6, 2)), 50000, 1e-6)
	addSine(x, rate, 1234.5, 1, 0)
	addSine(x, rate, 1260.1, 1e-4, 1)
	w := mustWelch(t, rate, 5000)
	w.Add(x)
	d := w.Density()
	lines := d.Lines(d.Floor(64), 1e-3)
	if len(lines) != 2 {
		t.Fatalf("%d lines, want 2: %+v", len(lines), lines)
	}
	near(t, "strong", lines[0].Hz, 1234.5, 0.01)
	near(t, "weak", lines[1].Hz, 1260.1, 0.02)
	near(t, "weak amplitude", lines[1].PeakV, 1e-4, 2e-6) // the strong one's sidelobes, −92 dB, lie 12 dB below
	if lines[1].SignalToNoise < 1e3 {
		t.Errorf("weak line: %+v", lines[1])
	}
}
