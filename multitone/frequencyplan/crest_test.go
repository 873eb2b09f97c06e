package frequencyplan_test

import (
	"context"
	"fmt"
	"math"
	"testing"

	"tonepose/multitone/frequencyplan"
	"tonepose/testdata/published"
)

func ones(n int) []float64 {
	a := make([]float64, n)
	for i := range a {
		a[i] = 1
	}
	return a
}

// harmonics 1 … n of 1 Hz.
func harmonics(n int) []float64 {
	f := make([]float64, n)
	for i := range f {
		f[i] = float64(i + 1)
	}
	return f
}

// Schroeder, IEEE Trans. Inf. Theory 16, 1970; Newman phases as in Boyd, IEEE
// Trans. CAS 33, 1986; crest factors computed on a dense grid with local
// refinement.
func TestCrestFactorsOfKnownPhases(t *testing.T) {
	for _, row := range published.Table(t, "multisine_crest.csv") {
		n := int(row.Number("tones_N_harmonics_1_to_N_equal_amplitude"))
		want := []float64{
			row.Number("crest_zero_phase"),
			row.Number("crest_schroeder_phase_minus_pi_k_km1_over_N"),
			row.Number("crest_newman_phase_pi_km1_sq_over_N"),
		}
		for i, phases := range [][]float64{make([]float64, n), frequencyplan.SchroederPhases(ones(n)), frequencyplan.NewmanPhases(n)} {
			got, err := frequencyplan.CrestFactor(harmonics(n), ones(n), phases, 1)
			if err != nil {
				t.Fatal(err)
			}
			// Printed to 8 decimals.
			if math.Abs(got-want[i]) > 0.51e-8 {
				t.Errorf("%d tones, %s phases: crest factor %.8f, want %.8f", n, []string{"zero", "Schroeder", "Newman"}[i], got, want[i])
			}
		}
	}
}

func TestSchroederPhasesOfUnequalAmplitudes(t *testing.T) {
	// By hand: powers 1/6, 4/6, 1/6; φ2 = −2π/6, φ3 = −2π(2·1/6 + 4/6) = −2π.
	got := frequencyplan.SchroederPhases([]float64{1, 2, 1})
	for k, want := range []float64{0, -math.Pi / 3, 0} {
		if math.Abs(got[k]-want) > 1e-15*8 {
			t.Errorf("phase %d: %g, want %g", k+1, got[k], want)
		}
	}
}

func TestLowCrestBeatsItsStarts(t *testing.T) {
	for _, c := range []struct {
		hz   []float64
		amps []float64
		gain float64 // at least this share of the better start is gained
	}{
		{harmonics(31), ones(31), 0.1},
		{harmonics(8), []float64{1, 1, 0.5, 0.5, 1, 1, 0.3, 0.3}, 0.05},
		{[]float64{5025, 6175, 7375, 8625, 9925, 11275, 12675, 14125}, ones(8), 0.05},
	} {
		phases, crest, err := frequencyplan.LowCrest(context.Background(), c.hz, c.amps, 1)
		if err != nil {
			t.Fatal(err)
		}
		best := math.Inf(1)
		for _, p := range [][]float64{frequencyplan.SchroederPhases(c.amps), frequencyplan.NewmanPhases(len(c.hz))} {
			start, err := frequencyplan.CrestFactor(c.hz, c.amps, p, 1)
			if err != nil {
				t.Fatal(err)
			}
			best = math.Min(best, start)
		}
		if crest > best*(1-c.gain) {
			t.Errorf("%d tones: crest factor %.4f, starts have %.4f", len(c.hz), crest, best)
		}
		// Independently: the peak on a plain grid of 40 points to the shortest
		// cycle lies below the true one by at most ½(π/40)² = 0.31 %.
		peak, power := 0.0, 0.0
		top := c.hz[len(c.hz)-1]
		period := 1.0
		if top > 1000 {
			period = 1.0 / 25
		}
		n := int(40 * top * period)
		for i := range n {
			x := 0.0
			for k, f := range c.hz {
				x += c.amps[k] * math.Cos(2*math.Pi*f*period*float64(i)/float64(n)+phases[k])
			}
			peak = math.Max(peak, math.Abs(x))
		}
		for _, a := range c.amps {
			power += a * a / 2
		}
		if direct := peak / math.Sqrt(power); direct > crest*(1+1e-12) || direct < crest*(1-0.0031) {
			t.Errorf("%d tones: crest factor %.6f, directly %.6f", len(c.hz), crest, direct)
		}
		t.Logf("%d tones: %.4f, best start %.4f", len(c.hz), crest, best)
	}
}

// Schroeder, IEEE Trans. Inf. Theory 16, 1970: ten equal harmonics, all in
// phase and with his phases; the table of multisine_crest.csv has 4.47213595 and
// 1.91628958.
func ExampleCrestFactor() {
	for _, phases := range [][]float64{make([]float64, 10), frequencyplan.SchroederPhases(ones(10))} {
		crest, err := frequencyplan.CrestFactor(harmonics(10), ones(10), phases, 1)
		fmt.Printf("%.4f %v\n", crest, err)
	}
	// Output:
	// 4.4721 <nil>
	// 1.9163 <nil>
}

func TestCrestFactorRefusesTonesOffThePeriod(t *testing.T) {
	if _, err := frequencyplan.CrestFactor([]float64{10.5}, []float64{1}, []float64{0}, 1); err == nil {
		t.Error("10.5 Hz over 1 s gives no error")
	}
	if _, err := frequencyplan.CrestFactor([]float64{10, 20}, []float64{1}, []float64{0}, 1); err == nil {
		t.Error("two tones with one amplitude give no error")
	}
}
