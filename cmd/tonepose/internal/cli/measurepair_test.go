package cli

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"tonepose/cmd/tonepose/internal/pair"
	"tonepose/cmd/tonepose/internal/tables"
)

// rawFile writes float samples, channels interleaved, and returns the name of
// the file with the flags that describe it. Channels are called ch1, ch2, …
func rawFile(t *testing.T, rate float64, channels ...[]float64) []string {
	t.Helper()
	var data []byte
	for i := range channels[0] {
		for _, c := range channels {
			data = binary.LittleEndian.AppendUint64(data, math.Float64bits(c[i]))
		}
	}
	name := filepath.Join(t.TempDir(), "samples.f64")
	if err := os.WriteFile(name, data, 0o644); err != nil {
		t.Fatal(err)
	}
	return []string{name, "--format", "rf64_le", "--rate", strconv.FormatFloat(rate, 'g', -1, 64), "--channels", strconv.Itoa(len(channels))}
}

// samples evaluates a signal of time, with white noise of the given sigma.
func samples(n int, rate, sigma float64, seed uint64, signal func(t float64) float64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, n)
	for i := range x {
		x[i] = signal(float64(i)/rate) + sigma*rng.NormFloat64()
	}
	return x
}

func measuredPair(t *testing.T, file []string, args ...string) pair.Result {
	t.Helper()
	var p pair.Result
	out := tonepose(t, append(append(append([]string{"measure"}, file...), "--signal", "ch1", "--reference", "ch2", "--json"), args...)...)
	if err := json.Unmarshal([]byte(out), &p); err != nil {
		t.Fatal(err)
	}
	return p
}

// One measurement over a whole recording must be right, and its sigmas those
// of the Cramér–Rao bound, whatever the length and the reference: σ/√N of an
// rms amplitude in white noise σ, 2σ²/(N·A²) of the variance of a phase, and
// for the frequency that of Rife and Boorstyn (1974).
func TestPairWholeRecording(t *testing.T) {
	square := func(f, phase float64) func(float64) float64 {
		// The odd harmonics below half the rate of 20 kHz, as behind an
		// anti-alias filter.
		return func(t float64) float64 {
			var v float64
			for h := 1.0; h*f < 9000; h += 2 {
				v += 4 / math.Pi / h * math.Sin(h*(2*math.Pi*f*t+phase))
			}
			return v
		}
	}
	sine := func(a, f, phase float64) func(float64) float64 {
		return func(t float64) float64 { return a * math.Cos(2*math.Pi*f*t+phase) }
	}
	plus := func(f ...func(float64) float64) func(float64) float64 {
		return func(t float64) (v float64) {
			for _, g := range f {
				v += g(t)
			}
			return v
		}
	}
	cases := []struct {
		name              string
		n                 int
		rate              float64
		hz                float64
		signal, reference func(float64) float64
		sigma, refSigma   float64
		amplitude         float64 // peak, of reference 1
		refAmplitude      float64
		phase             float64 // rad
		within            float64 // of the sigmas, relative
	}{
		{"plain", 50000, 20e3, 1234.56, sine(1e-3, 1234.56, 0.9), sine(1, 1234.56, 0.2), 1e-2, 1e-3, 1e-3, 1, 0.7, 0.2},
		{"long", 1 << 20, 20e3, 1234.56, sine(1e-3, 1234.56, 0.9), sine(1, 1234.56, 0.2), 1e-2, 1e-3, 1e-3, 1, 0.7, 0.2},
		{"noisy reference", 200000, 20e3, 1234.56, sine(1, 1234.56, -2.9), sine(0.1, 1234.56, 0.2), 0.1, 1, 1, 0.1, -3.1, 0.2},
		{"square reference", 30000, 20e3, 87.3, sine(1e-3, 87.3, 0.5-math.Pi/2), square(87.3, 0.2), 1e-2, 1e-3, 1e-3, 4 / math.Pi, 0.3, 0.2},
		{"strong mains", 40000, 20e3, 713.7, plus(sine(1e-3, 713.7, 0.5), sine(1, 50.02, 1)), plus(sine(1, 713.7, 0), sine(5, 50.02, 2), sine(2, 150.06, 1)), 1e-2, 1e-3, 1e-3, 1, 0.5, 0.2},
		{"a few cycles", 100000, 20e3, 0.66, sine(1e-2, 0.66, 1), sine(1, 0.66, 0.4), 1e-1, 1e-2, 1e-2, 1, 0.6, 0.2},
		{"a few cycles, long", 1 << 19, 20e3, 0.1, sine(1e-2, 0.1, 1), sine(1, 0.1, 0.4), 1e-1, 1e-2, 1e-2, 1, 0.6, 0.2},
		{"100 samples", 100, 20e3, 1517, sine(0.1, 1517, -1), sine(1, 1517, 0.4), 1e-2, 1e-3, 0.1, 1, -1.4, 0.3},
		{"100 samples, slow", 100, 20e3, 500, sine(0.1, 500, -1), sine(1, 500, 0.4), 1e-2, 1e-3, 0.1, 1, -1.4, 0.4},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			p := measuredPair(t, rawFile(t, c.rate, samples(c.n, c.rate, c.sigma, 1, c.signal), samples(c.n, c.rate, c.refSigma, 2, c.reference)))
			n := float64(c.n)
			amplitudeSigma := c.sigma / math.Sqrt(n)
			phaseSigma := math.Sqrt(2*c.sigma*c.sigma/(n*c.amplitude*c.amplitude)+2*c.refSigma*c.refSigma/(n*c.refAmplitude*c.refAmplitude)) * 180 / math.Pi
			frequencySigma := math.Sqrt(24*c.refSigma*c.refSigma/(c.refAmplitude*c.refAmplitude*n*(n*n-1))) * c.rate / (2 * math.Pi)
			for _, v := range []struct {
				name              string
				got, want         float64
				sigma, sigmaBound float64
			}{
				{"amplitude", p.AmplitudeRMSV, c.amplitude / math.Sqrt2, p.SigmaAmplitudeRMSV, amplitudeSigma},
				{"phase", p.PhaseDeg, c.phase * 180 / math.Pi, p.SigmaPhaseDeg, phaseSigma},
				{"frequency", p.FrequencyHz, c.hz, p.SigmaFrequencyHz, frequencySigma},
			} {
				// 4 sigmas: 1 of 16,000 by chance, with fixed seeds. The bound on
				// sigma itself is the issue of the width of a few cycles.
				if math.Abs(v.got-v.want) > 4*v.sigmaBound {
					t.Errorf("%s %.9g, want %.9g: %.1f of the bound's sigmas", v.name, v.got, v.want, math.Abs(v.got-v.want)/v.sigmaBound)
				}
				if math.Abs(v.sigma/v.sigmaBound-1) > c.within {
					t.Errorf("sigma of %s %.3g, bound %.3g", v.name, v.sigma, v.sigmaBound)
				}
			}
			if math.Abs(p.ENBWHz-c.rate/(2*n)) > 0.01*c.rate/n {
				t.Errorf("ENBW %g Hz", p.ENBWHz)
			}
		})
	}
}

// demodulatedRows reads a table back.
func demodulatedRows(t *testing.T, dir string) (rows []tables.Demodulated) {
	t.Helper()
	r, err := tables.Open[tables.Demodulated](filepath.Join(dir, tables.DemodulatedName+".parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for row, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row)
	}
	if _, err := os.Stat(filepath.Join(dir, tables.DemodulatedName+".png")); err != nil {
		t.Error(err)
	}
	return rows
}
