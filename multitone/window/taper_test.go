package window

import (
	"math"
	"strings"
	"testing"
)

func mustTaper(t testing.TB, name string) Taper {
	t.Helper()
	w, err := ByName(name)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func filled(t testing.TB, name string, n int) []float64 {
	w := make([]float64, n)
	mustTaper(t, name).Fill(w)
	return w
}

// anyTaper gives every name a usable parameter.
func anyTaper() []string {
	var list []string
	for _, n := range Names() {
		key, meaning, _ := strings.Cut(n, ":")
		switch meaning {
		case "ALPHA":
			n = key + ":2.5"
		case "FRACTION":
			n = key + ":0.4"
		case "DECIBEL":
			n = key + ":70"
		}
		list = append(list, n)
	}
	return list
}

func TestFillIsSymmetricAndPeaksInTheMiddle(t *testing.T) {
	for _, name := range anyTaper() {
		for _, n := range []int{1, 2, 3, 4, 5, 8, 17, 64, 101} {
			w := filled(t, name, n)
			for i := range w {
				if w[i] != w[n-1-i] {
					t.Fatalf("%s, N=%d: w[%d]=%g but w[%d]=%g", name, n, i, w[i], n-1-i, w[n-1-i])
				}
				// A value of 1 in the middle is the definition; rounding may exceed it by an ulp or two.
				if !(w[i] <= 1+1e-15) {
					t.Fatalf("%s, N=%d: w[%d]=%g > 1", name, n, i, w[i])
				}
			}
			if n%2 == 1 && math.Abs(w[n/2]-1) > 1e-15 {
				t.Errorf("%s, N=%d: middle is %.17g, want 1", name, n, w[n/2])
			}
		}
	}
}

// A cosine sum's mean and mean square do not depend on N ≥ 2K: orthogonality of
// cosines on equidistant points.
func TestCosineSumsAreExactForEveryLength(t *testing.T) {
	for name := range cosineSums {
		a := mustTaper(t, name).Coefficients()
		want := a[0] * a[0]
		for _, x := range a[1:] {
			want += x * x / 2
		}
		want /= a[0] * a[0]
		for _, n := range []int{2 * len(a), 2*len(a) + 1, 100, 1023} {
			w := filled(t, name, n)
			// n roundings of 2⁻⁵³ in each sum, terms up to a few times the result.
			near(t, name+" NENBW", NENBW(w), want, 1e-13*want)
			near(t, name+" coherent gain", Figures(w).CoherentGain, a[0], 1e-13)
		}
	}
}

func TestByNameErrors(t *testing.T) {
	for name, want := range map[string]string{
		"hannn":               "want one of bartlett, ",
		"hann:3":              "unknown taper \"hann:3\"",
		"kaiser":              "needs a parameter: kaiser:ALPHA",
		"kaiser:x":            "\"x\" is not a number",
		"kaiser:-1":           "must lie in 0..20",
		"tukey:1.5":           "must lie in 0..1",
		"gaussian:nan":        "must lie in 0..20",
		"dolph-chebyshev:400": "must lie in 20..300",
	} {
		_, err := ByName(name)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ByName(%q): error %v, want one with %q", name, err, want)
		}
	}
	if w := mustTaper(t, " Rectangular "); w.Name != "boxcar" {
		t.Errorf("rectangular is called %q", w.Name)
	}
}

func TestNamesRoundTrip(t *testing.T) {
	for _, name := range anyTaper() {
		if got := mustTaper(t, name).Name; got != name {
			t.Errorf("ByName(%q).Name = %q", name, got)
		}
	}
}
