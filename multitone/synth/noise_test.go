package synth_test

import (
	"math"
	"math/cmplx"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"tonepose/multitone/synth"
	"tonepose/testdata/published"
)

// periodogram averages Hann-weighted one-sided periodograms [V²/Hz] over
// segments of n samples; bin k is at k·rate/n.
func periodogram(x []float64, n int, rate float64) []float64 {
	fft := fourier.NewFFT(n)
	sum := make([]float64, n/2+1)
	seg := make([]float64, n)
	var coef []complex128
	count := 0
	for at := 0; at+n <= len(x); at += n {
		for i := range seg {
			seg[i] = x[at+i] * (0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n)))
		}
		coef = fft.Coefficients(coef, seg)
		for k := range sum {
			// Σw² = 3n/8; factor 2 for the negative frequencies.
			sum[k] += 2 * real(coef[k]*cmplx.Conj(coef[k])) / (rate * 3 * float64(n) / 8)
		}
		count++
	}
	for k := range sum {
		sum[k] /= float64(count)
	}
	return sum
}

func TestNoiseDensity(t *testing.T) {
	const rate, n, segments, density, corner = 100e3, 1 << 13, 128, 2e-6, 1500.0
	for _, fc := range []float64{0, corner} {
		x := draw(t, synth.Config{
			Rate: rate, Samples: n * segments, Seed: 3,
			Channels: []synth.Channel{{Noise: synth.Noise{Density: density, Corner: fc}}},
		}, 4096)[0]
		p := periodogram(x, n, rate)
		// Mean of measured over wanted density in bands. Each Hann periodogram
		// ordinate has relative sigma 1; neighbours correlate, which doubles a
		// band's variance at most (Σρ² = 1 + 2·(4/9 + 1/36) = 1.94).
		for lo := 4; lo < n/2; lo *= 2 {
			hi := min(2*lo, n/2)
			var ratio float64
			for k := lo; k < hi; k++ {
				ratio += p[k] / (density * density * (1 + fc/(float64(k)*rate/n)))
			}
			ratio /= float64(hi - lo)
			sigma := math.Sqrt(1.94 / (segments * float64(hi-lo)))
			// 1/f bends inside the Hann main lobe, by E[δ²]/f² bins = 0.33/k² at
			// bin k; the pole sum ripples by 0.1 %.
			tolerance := 4*sigma + 0.33/float64(lo*lo) + 0.001
			if math.Abs(ratio-1) > tolerance {
				t.Errorf("corner %g Hz, %.0f…%.0f Hz: density² is %.4f of the wanted, tolerance %.4f",
					fc, float64(lo)*rate/n, float64(hi)*rate/n, ratio, tolerance)
			}
		}
	}
}

func TestNoiseIsIndependentBetweenChannels(t *testing.T) {
	const n = 100000
	noisy := synth.Channel{Noise: synth.Noise{Density: 1}}
	x := draw(t, synth.Config{Rate: 2, Samples: n, Channels: []synth.Channel{noisy, noisy}}, 1000)
	var sum float64 // unit variance: density²·rate/2
	for i := range x[0] {
		sum += x[0][i] * x[1][i]
	}
	if r := sum / n; math.Abs(r) > 4/math.Sqrt(n) {
		t.Errorf("correlation %.4f, want 0 within 4/√n", r)
	}
}

func TestMainsHarmonicsFallAsOneOverN(t *testing.T) {
	const rate, hz, peak, harmonics = 20e3, 60.05, 0.01, 90
	x := draw(t, synth.Config{
		Rate: rate, Samples: 400000, Seed: 5, Mains: synth.Mains{Hz: hz, Harmonics: harmonics},
		Channels: []synth.Channel{{Mains: peak}},
	}, 1000)[0] // 20 s hold 1201 whole periods
	phases := map[float64]bool{}
	for n := 1; n <= harmonics+2; n++ {
		var sum complex128
		for i, v := range x {
			s, c := math.Sincos(2 * math.Pi * float64(n) * hz * float64(i) / rate)
			sum += complex(v*c, -v*s)
		}
		sum *= complex(2/float64(len(x)), 0)
		want := peak / float64(n)
		if n > harmonics {
			want = 0
		} else {
			phases[cmplx.Phase(sum)] = true
		}
		// Rounding of 4e5 terms of phases up to 7e5 rad.
		if got := cmplx.Abs(sum); math.Abs(got-want) > 1e-9*peak {
			t.Errorf("harmonic %d: %.9g V, want %.9g V", n, got, want)
		}
	}
	if len(phases) != harmonics {
		t.Errorf("%d different phases, want %d", len(phases), harmonics)
	}
}

// IEEE Std 1241-2010: an ideal quantiser's signal-to-noise for a full-scale
// sine is 20·log10(2^N·√(3/2)) dB.
func TestQuantiserSignalToNoise(t *testing.T) {
	for _, row := range published.Table(t, "ideal_quantiser_snr.csv") {
		bits, exact := int(row.Number("bits")), row.Number("full_scale_sine_snr_exact_dB")
		// Half a code below full scale, so that nothing clips.
		q := synth.Quantiser{Bits: bits, FullScale: 2.5}
		step := math.Ldexp(q.FullScale, 1-q.Bits)
		amps := 2.5 - step/2
		c := synth.Config{
			Rate: 100e3, Samples: 500000, Tones: []synth.Tone{{Hz: 1003.7771, Current: amps}},
			Channels: []synth.Channel{{Transimpedance: []complex128{1}}, {Transimpedance: []complex128{1}, Quantiser: q}},
		}
		x := draw(t, c, 1000)
		var signal, noise float64
		for i, v := range x[0] {
			signal += v * v
			noise += (x[1][i] - v) * (x[1][i] - v)
		}
		got := 10 * math.Log10(signal/noise)
		// The table's noise is step²/12, the limit of many codes. A sine of A steps
		// about a code has exactly step²·(1/12 + Σ (−1)^m/(πm)²·J0(2πmA)): the
		// Fourier series of the squared error, each cosine's mean over the sine
		// a Bessel function (Bennett, Bell System Technical Journal 27, 1948).
		excess := 0.0
		for m := 1.0; m <= 200; m++ {
			excess += 12 * math.Cos(math.Pi*m) / (math.Pi * math.Pi * m * m) * math.J0(2*math.Pi*m*amps/step)
		}
		want := exact + 20*math.Log10(amps/2.5) - 10*math.Log10(1+excess)
		// The error power is a mean of N squares uniform in ±step/2: relative
		// sigma √(4/5/N) = 0.0013, 0.022 dB at 4 sigma.
		const tolerance = 0.022
		if math.Abs(got-want) > tolerance {
			t.Errorf("%d bits: %.3f dB, want %.3f ± %.3f dB", bits, got, want, tolerance)
		}
	}
}

func TestQuantiserClipsAndCounts(t *testing.T) {
	q := synth.Quantiser{Bits: 8, FullScale: 1}
	for _, c := range []struct {
		volts   float64
		code    int32
		clipped bool
	}{
		{0, 0, false}, {1, 127, true}, {127.0 / 128, 127, false}, {-1, -128, false}, {-1.1, -128, true},
		{0.5 / 128, 0, false}, {1.5 / 128, 2, false}, {math.Inf(1), 127, true}, {math.NaN(), 0, false},
	} {
		if code, clipped := q.Code(c.volts); code != c.code || clipped != c.clipped {
			t.Errorf("%g V: code %d, clipped %v, want %d, %v", c.volts, code, clipped, c.code, c.clipped)
		}
	}
	if top, _ := (synth.Quantiser{Bits: 32, FullScale: 1}).Code(2); top != math.MaxInt32 {
		t.Errorf("32 bits: top code %d, want %d", top, int32(math.MaxInt32))
	}
	g, err := synth.New(synth.Config{
		Rate: 8, Samples: 8, Tones: []synth.Tone{{Hz: 1, Current: 1}},
		Channels: []synth.Channel{
			{Transimpedance: []complex128{0.9}, Quantiser: synth.Quantiser{Bits: 16, FullScale: 1}},
			{Transimpedance: []complex128{2}, Quantiser: q},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	volts := [][]float64{make([]float64, 8), make([]float64, 8)}
	if n, err := g.ReadPlanar(volts); n != 8 || err != nil {
		t.Fatalf("read %d samples, error %v", n, err)
	}
	// 2·cos at eighths of a turn: clipped at 0 and ±1/8 (top), ½ and ½±1/8 (bottom).
	for i, want := range []float64{127, 127, 0, -128, -128, -128, 0, 127} {
		if got := volts[1][i] * 128; got != want {
			t.Errorf("sample %d: code %g, want %g", i, got, want)
		}
	}
	if got := g.Clipped(); got[0] != 0 || got[1] != 6 {
		t.Errorf("clipped %v, want [0 6]", got)
	}
}
