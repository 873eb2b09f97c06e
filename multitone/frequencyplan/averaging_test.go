package frequencyplan_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	fp "tonepose/multitone/frequencyplan"
	"tonepose/testdata/published"
)

func average(t *testing.T, given map[fp.Quantity]float64) fp.Budget {
	t.Helper()
	b, err := fp.Average(given)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func check(t *testing.T, b fp.Budget, q fp.Quantity, want, tolerance float64) {
	t.Helper()
	got, ok := b.Value(q)
	if !ok || math.Abs(got-want) > tolerance {
		t.Errorf("%s: %.10g %s (known: %v), want %.10g", q, got, q.Unit(), ok, want)
	}
}

// A tone of 1 µV under noise of 30 µV needs, for a ratio of 10, a bandwidth
// 90,000 times narrower (common practice: (10·30)²).
func ExampleAverage() {
	b, err := fp.Average(map[fp.Quantity]float64{
		fp.Signal: 1e-6, fp.BroadbandNoise: 30e-6, fp.SNR: 10, fp.NoiseBandwidth: 250e3,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, q := range []fp.Quantity{fp.BandwidthRatio, fp.ENBW, fp.AveragingTime, fp.NoiseDensity} {
		v, _ := b.Value(q)
		fmt.Println(strings.TrimSpace(fmt.Sprintf("%s %.4g %s", q, v, q.Unit())))
	}
	// Output:
	// bandwidth ratio 9e+04
	// equivalent noise bandwidth 2.778 Hz
	// averaging time 0.18 s
	// noise density 6e-08 V/√Hz
}

// IEEE Std 1241-2010.
func TestIdealQuantiser(t *testing.T) {
	for _, row := range published.Table(t, "ideal_quantiser_snr.csv") {
		bits, exact, rule := row.Number("bits"), row.Number("full_scale_sine_snr_exact_dB"), row.Number("rule_6.02N_plus_1.76_dB")
		b := average(t, map[fp.Quantity]float64{fp.Bits: bits, fp.FullScale: 2.5, fp.SampleRate: 100e3, fp.AveragingTime: 0.5})
		check(t, b, fp.IdealSNR, exact, 1e-8)
		check(t, b, fp.IdealSNR, rule, 0.013) // 0.0006 dB a bit and 0.0009 dB of the rule's rounding
		// By hand: 2.5 V/√2 over the noise, in 1 Hz of 50 kHz.
		noise := 2.5 * math.Exp2(1-bits) / math.Sqrt(12)
		check(t, b, fp.QuantNoise, noise, 1e-12*noise)
		check(t, b, fp.AveragedSNR, 20*math.Log10(2.5/math.Sqrt2/noise)+10*math.Log10(50e3), 1e-8)
		// And back to the bits.
		back := average(t, map[fp.Quantity]float64{fp.IdealSNR: exact})
		check(t, back, fp.Bits, bits, 1e-9)
	}
}

// Whatever part of a consistent set is given, what follows agrees with the set.
func TestAnyGivenValuesGiveTheSameRest(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 5))
	whole := average(t, map[fp.Quantity]float64{
		fp.Signal: 2e-6, fp.AnalogDensity: 40e-9, fp.Bits: 16, fp.FullScale: 2.5, fp.SampleRate: 250e3,
		fp.NoiseBandwidth: 80e3, fp.ENBW: 3, fp.ToneHz: 12345,
	})
	want := map[fp.Quantity]float64{}
	for _, e := range whole {
		want[e.Quantity] = e.Value
	}
	if len(whole) < 24 {
		t.Errorf("only %d quantities follow", len(whole))
	}
	complete := 0
	for range 400 {
		given := map[fp.Quantity]float64{}
		for _, e := range whole {
			if random.IntN(2) == 0 {
				given[e.Quantity] = e.Value
			}
		}
		b := average(t, given)
		if len(b) == len(whole) {
			complete++
		}
		for _, e := range b {
			if math.Abs(e.Value-want[e.Quantity]) > 1e-8*math.Abs(want[e.Quantity]) {
				t.Fatalf("given %v: %s = %.12g, want %.12g", given, e.Quantity, e.Value, want[e.Quantity])
			}
		}
	}
	if complete < 50 { // the others lack a link
		t.Errorf("only %d of 400 subsets give the rest", complete)
	}
}

func TestContradictionsAreNamed(t *testing.T) {
	for want, given := range map[string]map[fp.Quantity]float64{
		"σ = n·√E":                       {fp.NoiseDensity: 1e-6, fp.ENBW: 4, fp.OutputNoise: 3e-6},
		"n² = a² + q²":                   {fp.NoiseDensity: 1e-9, fp.AnalogDensity: 2e-9},
		"signal = -1: must be positive":  {fp.Signal: -1},
		"frequencyplan: no quantity 999": {fp.Quantity(999): 1},
	} {
		if _, err := fp.Average(given); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v: error %v, want one with %q", given, err, want)
		}
	}
	// Rounded to three digits is no contradiction.
	if _, err := fp.Average(map[fp.Quantity]float64{fp.AveragingTime: 0.18, fp.ENBW: 2.78}); err != nil {
		t.Errorf("rounded values: %v", err)
	}
}
