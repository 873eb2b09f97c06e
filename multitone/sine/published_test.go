package sine

import (
	"context"
	"math"
	"math/cmplx"
	"testing"

	"tonepose/testdata/published"
)

// sineFit is a fit of the published values: y[n] = a cos ωn + b sin ωn + offset.
type sineFit struct {
	Omega  float64 `json:"omega_rad_per_sample"`
	Cos    float64 `json:"a_cos"`
	Sin    float64 `json:"b_sin"`
	Offset float64 `json:"offset"`
	RMS    float64 `json:"rms_residual_sqrt_rss_over_N"`
}

// agrees compares with a fit of as many parameters. The published numbers have
// 15 digits; what an ill-conditioned fit loses of them is far below 1e-10 here,
// but a frequency that stands to 1e-7 turns over the samples leaves 2π·1e-7 of
// the amplitude in the phasor, and its square in the residual.
func (want sineFit) agrees(t *testing.T, name string, m *Model, f *Fit, n, parameters int, tolerance float64) {
	t.Helper()
	// a − jb at the first sample, turned to the middle
	middle := complex(want.Cos, -want.Sin) * cmplx.Rect(1, want.Omega*float64(n-1)/2)
	amplitude := math.Hypot(want.Cos, want.Sin)
	if e := cmplx.Abs(f.Phasors[0] - middle); e > tolerance*amplitude {
		t.Errorf("%s: phasor %v, published %v", name, f.Phasors[0], middle)
	}
	if e := math.Abs(f.Offset - want.Offset); e > tolerance*amplitude {
		t.Errorf("%s: offset %.15g, published %.15g", name, f.Offset, want.Offset)
	}
	if e := math.Abs(2*math.Pi*m.Hz/m.Rate - want.Omega); e > tolerance/float64(n) {
		t.Errorf("%s: frequency off by %.3g rad a sample", name, e)
	}
	rms := math.Sqrt(f.Variance * float64(n-parameters) / float64(n))
	if e := math.Abs(rms - want.RMS); e > tolerance*amplitude {
		t.Errorf("%s: residual %.12g rms, published %.12g", name, rms, want.RMS)
	}
}

// The three- and four-parameter sine fits of IEEE Std 1057 and 1241, evaluated
// with 30 digits on listed samples.
func TestFitsOfIEEE1057(t *testing.T) {
	var list struct {
		Sets []struct {
			Name    string    `json:"name"`
			Cycles  float64   `json:"given_frequency_cycles_per_sample"`
			Samples []float64 `json:"samples"`
			Three   sineFit   `json:"three_parameter_fit_at_given_frequency"`
			Four    sineFit   `json:"four_parameter_fit"`
		} `json:"data_sets"`
	}
	published.JSON(t, "sine_fit.json", &list)
	if len(list.Sets) == 0 {
		t.Fatal("no data sets")
	}
	for _, set := range list.Sets {
		n := len(set.Samples)
		m := &Model{Hz: set.Cycles, Rate: 1, Harmonics: []int{1}, Level: true}
		f, err := m.Fit(context.Background(), set.Samples)
		if err != nil {
			t.Fatalf("%s: %v", set.Name, err)
		}
		set.Three.agrees(t, set.Name+", three parameters", m, f, n, 3, 1e-10)
		if f, err = m.Refine(context.Background(), set.Samples); err != nil {
			t.Fatalf("%s: %v", set.Name, err)
		}
		set.Four.agrees(t, set.Name+", four parameters", m, f, n, 4, 2*math.Pi*1e-7)
	}
}

// The covariance is the Cramér–Rao bound of a real sine with offset in white
// noise: exact values, printed with ten digits. The samples are noise-free, and
// the covariance is scaled to the table's noise; its own variance is the
// rounding of the sums, about N·2⁻⁵³ of the signal's power, not 0.
func TestCovarianceIsTheCramerRaoBound(t *testing.T) {
	for _, row := range published.Table(t, "sine_crb.csv") {
		amplitude, cycles, phase := row.Number("amplitude"), row.Number("frequency_cycles_per_sample"), row.Number("phase_rad_at_n0")
		n, sd := int(row.Number("N")), row.Number("noise_sd")
		x := make([]float64, n)
		for i := range x {
			x[i] = amplitude * math.Cos(2*math.Pi*cycles*float64(i)+phase)
		}
		m := &Model{Hz: cycles, Rate: 1, Harmonics: []int{1}, Level: true}
		known, err := m.Fit(context.Background(), x)
		if err != nil {
			t.Fatal(err)
		}
		refined, err := m.Refine(context.Background(), x)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			fit    *Fit
			column string
			by     []float64 // derivative of what the column bounds by re, −im, offset, Hz
		}{
			{known, "known_freq_crb_sd_amplitude", amplitudeBy(known)},
			{known, "known_freq_crb_sd_phase_rad", phaseBy(known)},
			{known, "known_freq_crb_sd_offset", []float64{0, 0, 1}},
			{refined, "crb_sd_amplitude", append(amplitudeBy(refined), 0)},
			{refined, "crb_sd_phase_rad", append(phaseBy(refined), -math.Pi*float64(n-1))}, // at the first sample
			{refined, "crb_sd_offset", []float64{0, 0, 1, 0}},
			{refined, "crb_sd_omega_rad_per_sample", []float64{0, 0, 0, 2 * math.Pi}},
		} {
			c.fit.Variance = sd * sd
			covariance, err := c.fit.Covariance()
			if err != nil {
				t.Fatal(err)
			}
			var variance float64
			for i, a := range c.by {
				for j, b := range c.by {
					variance += a * b * covariance.At(i, j)
				}
			}
			want := row.Number(c.column)
			if got := math.Sqrt(variance); math.Abs(got/want-1) > 1e-8 {
				t.Errorf("%v: %s = %.10g, published %.10g", row, c.column, got, want)
			}
		}
	}
}

// amplitudeBy is the derivative of the amplitude by real and negative imaginary
// part and offset.
func amplitudeBy(f *Fit) []float64 {
	x := f.Phasors[0] / complex(cmplx.Abs(f.Phasors[0]), 0)
	return []float64{real(x), -imag(x), 0}
}

// phaseBy is the same of the phase.
func phaseBy(f *Fit) []float64 {
	x := f.Phasors[0]
	power := real(x)*real(x) + imag(x)*imag(x)
	return []float64{-imag(x) / power, -real(x) / power, 0}
}
