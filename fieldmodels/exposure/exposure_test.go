package exposure_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/exposure"
	"tonepose/testdata/published"
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s = %.10g, want %.10g", what, got, want)
	}
}

func level(t *testing.T, g exposure.Group, hz float64) float64 {
	t.Helper()
	v, err := exposure.ReferenceLevel(g, hz)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// ICNIRP 2010, Tables 3 and 4, evaluated: printed to 9 digits.
func TestReferenceLevels(t *testing.T) {
	for _, row := range published.Table(t, "icnirp2010_evaluated.csv") {
		hz := row.Number("frequency_Hz")
		at := fmt.Sprintf(" at %g Hz", hz)
		near(t, "occupational"+at, level(t, exposure.Occupational, hz), row.Number("occupational_B_rms_T"), 1e-9)
		near(t, "general public"+at, level(t, exposure.GeneralPublic, hz), row.Number("general_public_B_rms_T"), 1e-9)
	}
	for _, hz := range []float64{0, 0.99, 1.01e7, math.NaN(), -50} {
		if v, err := exposure.ReferenceLevel(exposure.GeneralPublic, hz); err == nil {
			t.Errorf("%g Hz has a level of %g T", hz, v)
		}
	}
}

// The table's own formulas, evaluated in the middle and just inside both ends of
// each band.
func TestReferenceFormulas(t *testing.T) {
	group := map[string]exposure.Group{"occupational": exposure.Occupational, "general public": exposure.GeneralPublic}
	for _, row := range published.Table(t, "icnirp2010_reference_levels.csv") {
		lo, hi := row.Number("f_low_Hz"), row.Number("f_high_Hz")
		name, formula := row.Text("exposure"), row.Text("B_rms_T_formula_f_in_Hz")
		text, power, _ := strings.Cut(formula, "/")
		constant, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatalf("%v: %q: %v", row, formula, err)
		}
		for _, hz := range []float64{lo * 1.0001, math.Sqrt(lo * hi), hi * 0.9999} {
			want := constant
			switch power {
			case "f":
				want /= hz
			case "f^2":
				want /= hz * hz
			}
			near(t, name+" "+formula, level(t, group[name], hz), want, 1e-12)
		}
	}
}

func TestSummation(t *testing.T) {
	var file struct {
		Static float64 `json:"static_flux_density_restriction_for_implants_T"`
		Cases  []struct {
			Tones        [][2]float64 `json:"tones_Hz_and_B_rms_T"`
			Public       float64      `json:"sum_ratio_general_public"`
			Occupational float64      `json:"sum_ratio_occupational"`
		} `json:"multitone_cases"`
	}
	published.JSON(t, "icnirp_multitone_and_static.json", &file)
	if len(file.Cases) < 2 {
		t.Fatalf("%d cases", len(file.Cases))
	}
	near(t, "static", exposure.StaticImplantT, file.Static, 0)
	for _, c := range file.Cases {
		var tones []exposure.Tone
		for _, v := range c.Tones {
			tones = append(tones, exposure.Tone{Hz: v[0], BRMS: v[1]})
		}
		for g, want := range map[exposure.Group]float64{exposure.GeneralPublic: c.Public, exposure.Occupational: c.Occupational} {
			got, err := exposure.Ratio(g, tones)
			if err != nil {
				t.Fatal(err)
			}
			near(t, fmt.Sprint("group ", int(g)), got, want, 1e-12)
		}
	}
}

func loop(name string, center, axis r3.Vec, hz, ampere float64) exposure.Emitter {
	return exposure.Emitter{Emitter: fieldmodels.Emitter{Name: name, Center: center, Axis: axis,
		Source: fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, center, axis)}, Hz: hz, CurrentPeak: ampere}
}

// A lone loop, some radii away, is strongest on its axis, where
// B = μ0NIa²/(2(a²+z²)^(3/2)) (textbook): the distance of a level follows in
// closed form.
func TestReachOfOneLoop(t *testing.T) {
	axis := r3.Unit(r3.Vec{X: 0.3, Y: -0.2, Z: 0.9})
	b, err := exposure.NewBench([]exposure.Emitter{loop("e1", r3.Vec{X: 0.1, Y: 0.05}, axis, 10e3, 50)})
	if err != nil {
		t.Fatal(err)
	}
	const a, turns, ampere = 0.035, 40, 50
	for g, limit := range map[exposure.Group]float64{exposure.GeneralPublic: 2.7e-5, exposure.Occupational: 1e-4} {
		far := math.Pow(fieldmodels.Mu0*turns*ampere*a*a/(2*limit*math.Sqrt2), 2.0/3)
		want := math.Sqrt(far - a*a)
		reaches, err := b.Reaches(t.Context(), g)
		if err != nil {
			t.Fatal(err)
		}
		r := reaches[0]
		near(t, "distance", r.DistanceM, want, 1e-5) // bisected to 2e-8
		near(t, "along the axis", math.Abs(r3.Dot(r3.Sub(r.At, r3.Vec{X: 0.1, Y: 0.05}), axis)), want, 1e-5)
		f, err := b.Largest(t.Context(), want)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "ratio there", f.Ratio[g], 1, 1e-6)
		near(t, "peak there", f.PeakT, limit*math.Sqrt2, 1e-6)
		near(t, "rms there", f.RMST, limit, 1e-6)
	}
}

// Tones add: the peak linearly, the rms in squares, the ratio linearly.
func TestToneSum(t *testing.T) {
	one := loop("e1", r3.Vec{}, r3.Vec{Z: 1}, 10e3, 0.5)
	two := loop("e2", r3.Vec{X: 0.2}, r3.Vec{Z: 1}, 1000, 0.25)
	p := r3.Vec{X: 0.1, Y: 0.02, Z: 0.05}
	at := func(e ...exposure.Emitter) exposure.Field {
		b, err := exposure.NewBench(e)
		if err != nil {
			t.Fatal(err)
		}
		return b.At(p)
	}
	a, b, both := at(one), at(two), at(one, two)
	near(t, "peak", both.PeakT, a.PeakT+b.PeakT, 1e-14)
	near(t, "rms", both.RMST, math.Hypot(a.RMST, b.RMST), 1e-14)
	for g := range a.Ratio {
		near(t, "ratio", both.Ratio[g], a.Ratio[g]+b.Ratio[g], 1e-14)
	}
	near(t, "level", a.Ratio[exposure.GeneralPublic], a.PeakT/math.Sqrt2/2.7e-5, 1e-14)
	// Halfway between two equal coils the reaches are cut where the other begins.
	bench, err := exposure.NewBench([]exposure.Emitter{loop("e1", r3.Vec{}, r3.Vec{Z: 1}, 10e3, 5), loop("e2", r3.Vec{X: 0.2}, r3.Vec{Z: 1}, 11e3, 5)})
	if err != nil {
		t.Fatal(err)
	}
	r, err := bench.Reaches(t.Context(), exposure.GeneralPublic)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "symmetric reach", r[0].DistanceM, r[1].DistanceM, 0.02) // two lattices of directions
	if !(r[0].DistanceM > 0.1 && r[0].At.X < 0.1+1e-6) {
		t.Errorf("reach %v", r[0])
	}
	if _, err := exposure.NewBench([]exposure.Emitter{loop("hot", r3.Vec{}, r3.Vec{Z: 1}, 2e7, 1)}); err == nil || !strings.Contains(err.Error(), "hot") {
		t.Errorf("20 MHz: %v", err)
	}
	if f := bench.At(r3.Vec{X: 0.035}); !math.IsInf(f.PeakT, 1) || !math.IsInf(f.Ratio[0], 1) {
		t.Errorf("on the wire: %v", f)
	}
}
