package window

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"tonepose/testdata/published"
)

// harrisNames joins the rows of Harris's table to our names.
var harrisNames = map[string]string{
	"rectangle": "boxcar", "cos^1": "cosine", "cos^2 (Hann)": "hann", "cos^4": "nuttall3", "Hamming": "hamming",
	"Riesz": "riesz", "de la Vallee-Poussin": "parzen", "Tukey 0.25": "tukey:0.25", "Tukey 0.75": "tukey:0.75",
	"Bohman": "bohman", "Poisson 2.0": "poisson:2", "Poisson 4.0": "poisson:4",
	"Gaussian 2.5": "gaussian:2.5", "Gaussian 3.5": "gaussian:3.5",
	"Dolph-Chebyshev 2.5": "dolph-chebyshev:50", "Dolph-Chebyshev 3.5": "dolph-chebyshev:70", "Dolph-Chebyshev 4.0": "dolph-chebyshev:80",
	"Kaiser-Bessel 2.0": "kaiser:2", "Kaiser-Bessel 3.0": "kaiser:3", "Kaiser-Bessel 3.5": "kaiser:3.5",
	"exact Blackman": "blackman-exact", "minimum 3-term Blackman-Harris": "blackman-harris-3",
	"minimum 4-term Blackman-Harris": "blackman-harris", "74 dB 4-term Blackman-Harris": "blackman-harris-74",
}

// Harris's Table I, in the columns recomputed for N = 1024. They belong to
// DFT-even samples v = 2n/N − 1, so the shapes are sampled that way here; only
// the printed digits limit the agreement.
func TestFiguresMatchHarris(t *testing.T) {
	const n = 1024
	for _, row := range published.Table(t, "windows_harris1978.csv") {
		name, ok := harrisNames[row.Text("window")]
		if !ok {
			t.Errorf("no taper for %q", row.Text("window"))
			continue
		}
		taper := mustTaper(t, name)
		w := make([]float64, n)
		if taper.fill != nil {
			taper.Fill(w)
		} else {
			for i := range w {
				w[i] = taper.shape(2*float64(i)/n - 1)
			}
		}
		m := Figures(w)
		if name == "blackman-harris-74" {
			m.CoherentGain *= 0.99995 // the table's coefficients sum to this, ours to 1
		}
		for column, got := range map[string]float64{
			"computed_highest_sidelobe_dB":        m.HighestSidelobe,
			"computed_coherent_gain":              m.CoherentGain,
			"computed_enbw_bins":                  m.NENBW,
			"computed_bw_3dB_bins":                m.Width3dB,
			"computed_bw_6dB_bins":                m.Width6dB,
			"computed_scalloping_loss_dB":         m.Scalloping,
			"computed_worst_case_process_loss_dB": m.ProcessLoss,
		} {
			want, half := printed(row, column)
			near(t, row.Text("window")+" "+column, got, want, half*1.0001)
		}
	}
}

// Our own samples lie half an interval off the DFT-even ones. The transform of a
// smooth shape then changes by its aliases only; a shape with an edge or a kink
// changes by O(1/N). At N = 4096 that is below 1e-3 of what is compared. The
// Dolph–Chebyshev taper is another one for each N and is left out.
func TestFillMatchesHarris(t *testing.T) {
	for _, row := range published.Table(t, "windows_harris1978.csv") {
		name := harrisNames[row.Text("window")]
		if mustTaper(t, name).fill != nil {
			continue
		}
		m := Figures(filled(t, name, 4096))
		enbw, half := printed(row, "computed_enbw_bins")
		near(t, row.Text("window")+" NENBW", m.NENBW, enbw, half+1e-3*enbw)
		width, half := printed(row, "computed_bw_3dB_bins")
		near(t, row.Text("window")+" 3 dB width", m.Width3dB, width, half+1e-3*width)
	}
}

var heinzelNames = map[string]string{
	"Bartlett": "bartlett", "Hanning": "hann", "rectangular": "boxcar", "Blackman-Harris": "blackman-harris",
	"Nuttall3": "nuttall3", "Nuttall3b": "nuttall3b", "Nuttall4": "nuttall4", "Nuttall4a": "nuttall4a", "Nuttall4c": "nuttall4c",
	"SFT3F": "sft3f", "SFT5F": "sft5f", "SFT3M": "sft3m", "SFT4M": "sft4m", "HFT70": "hft70", "HFT95": "hft95",
	"HFT116D": "hft116d", "HFT169D": "hft169d", "HFT223D": "hft223d", "HFT248D": "hft248d",
	"Nuttall3a": "nuttall3a", "Nuttall4b": "nuttall4b", "SFT4F": "sft4f", "SFT5M": "sft5m",
	"HFT90D": "hft90d", "HFT144D": "hft144d", "HFT196D": "hft196d",
}

// Heinzel et al., Appendix C, recomputed columns: the continuous window's
// spectrum, widths at exactly −3.000 dB. The sampled window's transform differs
// from it by (πf/N)²/6 relative: 2e-7 at f = 3 bins and N = 8192, well below
// half a digit, and 5.5e-5 dB at the sidelobes up to f = 16.
func TestFiguresMatchHeinzel(t *testing.T) {
	const n = 8192
	rows := append(published.Table(t, "windows_heinzel2002.csv"), published.Table(t, "windows_heinzel2002_remembered.csv")...)
	for _, row := range rows {
		name, ok := heinzelNames[row.Text("window")]
		if !ok {
			t.Errorf("no taper for %q", row.Text("window"))
			continue
		}
		w := filled(t, name, n)
		m := Figures(w)
		sum := 0.0
		for _, x := range w {
			sum += x
		}
		width := 2 * halfWidth(func(f float64) float64 { return magnitude(w, f) / sum }, n, math.Pow(10, -3.0/20))
		check := func(column string, got, extra float64) {
			t.Helper()
			want, half := printed(row, column)
			near(t, row.Text("window")+" "+column, got, want, half*1.0001+extra)
		}
		check("computed_psll_dB", -m.HighestSidelobe, 5.5e-5)
		bartlett := 0.0
		if name == "bartlett" {
			bartlett = 3e-6 // the table's own value was computed from samples: 1.333336 for 4/3
		}
		check("computed_nenbw_bins", m.NENBW, bartlett)
		check("computed_bw_at_minus_3.000dB_bins", width, bartlett)
		check("computed_flatness_dB", m.Flatness, bartlett)
	}
}

// The coefficients of these are those in print.
func TestCoefficientsAreThosePublished(t *testing.T) {
	for _, row := range published.Table(t, "windows_heinzel2002_remembered.csv") {
		var want []float64
		for _, text := range strings.Fields(row.Text("cosine_coefficients_a0_a1_with_alternating_sign")) {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatalf("%v: %v", row, err)
			}
			want = append(want, v)
		}
		if got := cosineSums[heinzelNames[row.Text("window")]]; !slices.Equal(got, want) {
			t.Errorf("%v: coefficients %v, want %v", row, got, want)
		}
	}
}

// First nulls and decay follow from the shape: a K-term cosine sum has its first
// null at K bins, Kaiser at √(α²+1); an edge decays by 6 dB an octave, each more
// continuous derivative by 6 more (Harris 1978, section IV.B).
func TestMainLobeAndFalloff(t *testing.T) {
	const n = 8192
	for _, c := range []struct {
		name          string
		null, falloff float64
	}{
		{"boxcar", 1, -6}, {"bartlett", 2, -12}, {"cosine", 1.5, -12}, {"hann", 2, -18},
		{"nuttall3", 3, -30}, {"nuttall4", 4, -42}, {"blackman-harris", 4, math.NaN()},
		{"kaiser:3", math.Sqrt(10), -6},
	} {
		m := Figures(filled(t, c.name, n))
		// The discrete transform moves a null by at most (πf/N)² relative.
		near(t, c.name+" null", m.MainLobeHalfWidth, c.null, 2e-6*c.null+1e-7)
		if !math.IsNaN(c.falloff) {
			// 6 stands for 6.02; the asymptote is approached as (K/f)², f ≥ 4K: 3 %.
			near(t, c.name+" falloff", m.SidelobeFalloff, c.falloff*6.0206/6, 0.03*-c.falloff)
		}
	}
}

// All sidelobes of a Dolph–Chebyshev taper lie at the wanted level, for odd and even
// lengths (Dolph, Proc. IRE 34, 1946); the transform keeps ten digits of it.
func TestChebyshevSidelobes(t *testing.T) {
	for _, n := range []int{16, 33, 64, 101} {
		for _, name := range []string{"dolph-chebyshev:40", "dolph-chebyshev:70", "dolph-chebyshev:100"} {
			w := filled(t, name, n)
			sum := 0.0
			for _, x := range w {
				sum += x
			}
			var want float64
			fmt.Sscanf(name, "dolph-chebyshev:%g", &want)
			m := Figures(w)
			near(t, fmt.Sprintf("%s, N=%d", name, n), m.HighestSidelobe, -want, 1e-6)
			// At half the rate the transform of an odd length is T_{N−1}(0) = ±1.
			if n%2 == 1 {
				near(t, fmt.Sprintf("%s, N=%d, fs/2", name, n), decibels(magnitude(w, float64(n)/2)/math.Abs(sum)), -want, 1e-6)
			}
		}
	}
}

func TestFiguresOfDegenerateWeights(t *testing.T) {
	if m := Figures(nil); !math.IsNaN(m.NENBW) {
		t.Errorf("no weights: %+v", m)
	}
	if m := Figures([]float64{1}); m.NENBW != 1 || m.CoherentGain != 1 || !math.IsNaN(m.HighestSidelobe) {
		t.Errorf("one weight: %+v", m)
	}
	if m := Figures([]float64{1, -1}); !math.IsNaN(m.NENBW) {
		t.Errorf("zero sum: %+v", m)
	}
}

func BenchmarkFill(b *testing.B) {
	for _, name := range []string{"hann", "hft116d", "kaiser:3", "dolph-chebyshev:80"} {
		w := make([]float64, 2048)
		taper := mustTaper(b, name)
		b.Run("taper="+name, func(b *testing.B) {
			for b.Loop() {
				taper.Fill(w)
			}
		})
	}
}

// Least squares need weights from zero up: of the published windows those refused are those that
// have negative samples.
func TestForFit(t *testing.T) {
	w := make([]float64, 4096)
	refused := 0
	for name := range cosineSums {
		taper, err := ByName(name)
		if err != nil {
			t.Fatal(err)
		}
		taper.Fill(w)
		_, err = ForFit(name)
		// The coefficients in print have five digits and more.
		if negative := slices.Min(w) < -1e-4; negative != (err != nil) {
			t.Errorf("%s: least weight %g, %v", name, slices.Min(w), err)
		}
		if err != nil {
			refused++
		}
	}
	if refused < 10 { // the flat-tops of the two papers
		t.Errorf("%d are refused", refused)
	}
	for _, name := range []string{"kaiser:3", "no such"} {
		if _, err := ForFit(name); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
}
