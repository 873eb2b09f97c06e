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
// 19.0 effective degrees of freedom, t95(19) = 2.09 and U95 = 2.2 %. Values not
// checked against the original.
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

// JCGM 100:2008, H.1, calibration of an end gauge, from its inputs to the expanded
// uncertainty: products of quantities whose estimates are zero, uniform and arcsine inputs,
// parts with their own degrees of freedom. Published: components of 25, 9.7, 2.9 and
// 16.6 nm, u_c = 32 nm with 16 degrees of freedom, t99(16) = 2.92, U99 = 93 nm. The
// standard rounds u_c up, 1 %, and the degrees of freedom, 16.75, down.
func TestEndGauge(t *testing.T) {
	type part struct {
		NM      float64 `json:"u_nm"`
		K       float64 `json:"u_K"`
		Arcsine float64 `json:"arcsine_half_width"`
		DOF     float64
	}
	var h1 struct {
		Inputs []struct {
			part
			Name    string
			NM      float64 `json:"value_nm"`
			PerK    float64 `json:"value_per_K"`
			K       float64 `json:"value_K"`
			U       float64 `json:"u_nm"`
			Uniform float64 `json:"uniform_half_width"`
			Parts   []part
		}
		Published struct {
			Components []float64 `json:"components_nm"`
			U          float64   `json:"u_c_nm"`
			Level      float64
		}
		Recomputed struct {
			U   float64 `json:"u_c_nm"`
			DOF float64
		} `json:"recomputed_first_order"`
	}
	published.JSON(t, "gum_h1_end_gauge.json", &h1)
	var inputs []Input
	at := map[string]int{}
	for _, in := range h1.Inputs {
		x := Input{Name: in.Name, Value: in.NM + in.PerK + in.K, DOF: in.DOF}
		parts := append(in.Parts, part{NM: in.U, DOF: in.DOF})
		square, doubt := in.Uniform*in.Uniform/3, 0.0
		for _, p := range parts {
			u2 := p.NM*p.NM + p.K*p.K + p.Arcsine*p.Arcsine/2
			square += u2
			if p.DOF > 0 {
				doubt += u2 * u2 / p.DOF
			}
		}
		x.Sigma = math.Sqrt(square)
		if len(in.Parts) > 0 && doubt > 0 {
			x.DOF = square * square / doubt
		}
		at[in.Name] = len(inputs)
		inputs = append(inputs, x)
	}
	b, err := Propagate(func(y, x []float64) {
		length := x[at["l_S"]]
		y[0] = length + x[at["d"]] - length*(x[at["dalpha"]]*x[at["theta"]]+x[at["alpha_S"]]*x[at["dtheta"]])
	}, 1, inputs, nil, h1.Published.Level)
	if err != nil {
		t.Fatal(err)
	}
	o := b.Outputs[0]
	for k, name := range []string{"l_S", "d", "dalpha", "dtheta"} {
		if got, want := math.Abs(o.Contribution[at[name]]), h1.Published.Components[k]; math.Abs(got-want) > 0.0501 {
			t.Errorf("%s contributes %.3f nm, printed %g", name, got, want)
		}
	}
	// Derivatives by differences are exact for products, but for the rounding of 5e7 nm.
	if math.Abs(o.Sigma/h1.Recomputed.U-1) > 1e-6 || math.Abs(o.DOF/h1.Recomputed.DOF-1) > 1e-6 {
		t.Errorf("%.6f nm with %.6f degrees of freedom, want %.6f and %.6f", o.Sigma, o.DOF, h1.Recomputed.U, h1.Recomputed.DOF)
	}
	if math.Abs(o.Sigma-h1.Published.U) > 0.5 || math.Floor(o.DOF) != 16 {
		t.Errorf("%.2f nm with %.2f degrees of freedom, printed %g with 16", o.Sigma, o.DOF, h1.Published.U)
	}
	if k := CoverageFactor(16, 0.99); math.Abs(k-2.92) > 0.005 {
		t.Errorf("t99(16) = %.3f", k)
	}
	if math.Abs(o.Expanded/93-1) > 0.015 {
		t.Errorf("U = %.1f nm", o.Expanded)
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
