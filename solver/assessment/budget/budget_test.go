package budget

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"

	"tonepose/testdata/published"
)

// JCGM 100:2008, Annex H.2: resistance, reactance and impedance from five sets
// of voltage, current and phase observed together. The file has the printed
// results and the same recomputed in full precision from the observations.
func TestSimultaneousResistanceAndReactance(t *testing.T) {
	var file struct {
		Observations struct {
			V   []float64 `json:"V_V"`
			I   []float64 `json:"I_A"`
			Phi []float64 `json:"phi_rad"`
		}
		Published  map[string]float64
		Recomputed map[string]float64 `json:"recomputed_full_precision"`
	}
	published.JSON(t, "gum_h2_impedance.json", &file)
	o := file.Observations
	rows := mat.NewDense(5, 3, nil)
	rows.SetCol(0, o.V)
	rows.SetCol(1, o.I)
	rows.SetCol(2, o.Phi)
	inputs, correlation, err := Observed(rows, []string{"V", "I", "phi"}, "bridge")
	if err != nil {
		t.Fatal(err)
	}
	b, err := Propagate(func(y, x []float64) {
		z := x[0] / x[1]
		y[0], y[1], y[2] = z*math.Cos(x[2]), z*math.Sin(x[2]), z
	}, 3, inputs, correlation, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{
		"V_mean_V": inputs[0].Value, "I_mean_A": inputs[1].Value, "phi_mean_rad": inputs[2].Value,
		"u_V_V": inputs[0].Sigma, "u_I_A": inputs[1].Sigma, "u_phi_rad": inputs[2].Sigma,
		"r_V_I": correlation.At(0, 1), "r_V_phi": correlation.At(0, 2), "r_I_phi": correlation.At(1, 2),
		"R_ohm": b.Outputs[0].Value, "X_ohm": b.Outputs[1].Value, "Z_ohm": b.Outputs[2].Value,
		"u_R_ohm": b.Outputs[0].Sigma, "u_X_ohm": b.Outputs[1].Sigma, "u_Z_ohm": b.Outputs[2].Sigma,
		"r_R_X": b.Correlation.At(0, 1), "r_R_Z": b.Correlation.At(0, 2), "r_X_Z": b.Correlation.At(1, 2),
	}
	// Printed to three or four digits, from intermediate values that were rounded
	// too: one unit of the last digit.
	printed := map[string]float64{
		"V_mean_V": 5e-4, "I_mean_A": 5e-7, "phi_mean_rad": 5e-6, "u_V_V": 5e-5, "u_I_A": 5e-8, "u_phi_rad": 5e-6,
		"r_V_I": 0.01, "r_V_phi": 0.01, "r_I_phi": 0.01, "R_ohm": 1e-3, "X_ohm": 1e-3, "Z_ohm": 1e-3,
		"u_R_ohm": 1e-3, "u_X_ohm": 1e-3, "u_Z_ohm": 1e-3, "r_R_X": 1e-3, "r_R_Z": 1e-3, "r_X_Z": 1e-3,
	}
	if len(file.Published) != len(got) {
		t.Fatalf("%d published results, %d compared", len(file.Published), len(got))
	}
	for name, want := range file.Published {
		if d := math.Abs(got[name] - want); d > printed[name] {
			t.Errorf("%s = %.6g, printed %g", name, got[name], want)
		}
	}
	for name, want := range file.Recomputed {
		// Differences over a hundredth of a standard uncertainty, some 1e-5 of the
		// value: rounding 1e-11, curvature 1e-10; the correlation of nearly equal
		// numbers loses two digits. The file has twelve.
		if d := math.Abs(got[name]/want - 1); d > 1e-8 {
			t.Errorf("%s = %.13g, recomputed %.13g", name, got[name], want)
		}
	}
	// Five sets observed together: four degrees of freedom for every result.
	for k, o := range b.Outputs {
		if math.Abs(o.DOF-4) > 1e-9 {
			t.Errorf("output %d has %g degrees of freedom", k, o.DOF)
		}
	}
}

// JCGM 100:2008, G.4.1, example: y = b·x1·x2·x3 with relative standard
// uncertainties 0.25 % (n = 10), 0.57 % (n = 5), 0.82 % (n = 15) has 1.03 %,
// 19.0 effective degrees of freedom, t95(19) = 2.09 and U95 = 2.2 %. Values from
// memory.
func TestWelchSatterthwaite(t *testing.T) {
	b, err := Propagate(func(y, x []float64) { y[0] = 3 * x[0] * x[1] * x[2] }, 1, []Input{
		{Name: "x1", Value: 2, Sigma: 2 * 0.0025, DOF: 9},
		{Name: "x2", Value: 5, Sigma: 5 * 0.0057, DOF: 4},
		{Name: "x3", Value: 7, Sigma: 7 * 0.0082, DOF: 14},
	}, nil, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	o := b.Outputs[0]
	if r := o.Sigma / o.Value; math.Abs(r-0.0103) > 5e-5 {
		t.Errorf("relative uncertainty %.5f", r)
	}
	if math.Abs(o.DOF-19.0) > 0.05 {
		t.Errorf("%.3f effective degrees of freedom", o.DOF)
	}
	if math.Abs(o.Factor-2.09) > 0.005 || math.Abs(o.Expanded/o.Value-0.022) > 5e-4 {
		t.Errorf("k = %.4f, U = %.4f", o.Factor, o.Expanded/o.Value)
	}
}

// JCGM 100:2008, H.1, calibration of an end gauge: 25 nm (18), 9.7 nm (25.6),
// 2.9 nm (50) and 16.6 nm (2) combine to 32 nm with 16 degrees of freedom;
// t99(16) = 2.92, U99 = 93 nm. Values from memory; the standard rounds u_c up to
// 32 nm, 1 %, and 16.7 degrees of freedom down to 16, 0.5 % of t.
func TestEndGauge(t *testing.T) {
	c := Combine([]Contribution{{"standard", 25, 18}, {"difference", 9.7, 25.6}, {"expansion", 2.9, 50}, {"temperature", 16.6, 2}}, 0.99)
	if math.Abs(c.Sigma-32) > 0.5 || math.Floor(c.DOF) != 16 {
		t.Errorf("%.2f nm with %.2f degrees of freedom", c.Sigma, c.DOF)
	}
	if k := CoverageFactor(16, 0.99); math.Abs(k-2.92) > 0.005 {
		t.Errorf("t99(16) = %.3f", k)
	}
	if math.Abs(c.Expanded/93-1) > 0.015 {
		t.Errorf("U = %.1f nm", c.Expanded)
	}
}

// Without doubt about the inputs' uncertainties the factor is the normal one;
// Abramowitz and Stegun, table 26.5: 1.95996.
func TestKnownUncertainties(t *testing.T) {
	c := Combine([]Contribution{{Sigma: 3}, {Sigma: 4}}, 0.95)
	if c.Sigma != 5 || !math.IsInf(c.DOF, 1) || math.Abs(c.Factor-1.95996) > 5e-6 {
		t.Errorf("%+v", c)
	}
}

func TestCorrelationNeedsAGroup(t *testing.T) {
	r := mat.NewSymDense(2, []float64{1, 0.5, 0.5, 1})
	f := func(y, x []float64) { y[0] = x[0] + x[1] }
	if _, err := Propagate(f, 1, []Input{{Name: "a", Sigma: 1}, {Name: "b", Sigma: 1}}, r, 0.95); err == nil {
		t.Error("correlated inputs without a group were accepted")
	}
	// JCGM 100:2008, 5.2.2 note 1: fully correlated contributions add linearly.
	r.SetSym(0, 1, 1)
	b, err := Propagate(f, 1, []Input{{Name: "a", Sigma: 3, Group: "g"}, {Name: "b", Sigma: 4, Group: "g"}}, r, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(b.Outputs[0].Sigma-7) > 1e-12 {
		t.Errorf("3 and 4, fully correlated, give %g", b.Outputs[0].Sigma)
	}
}
