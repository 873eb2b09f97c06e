package fieldmodels

import (
	"math"
	"testing"

	"tonepose/testdata/published"
)

// Abramowitz and Stegun, Table 17.1, and extremes to 20 digits: K and E by cel
// (Bulirsch: K = cel(k_c, 1, 1, 1), E = cel(k_c, 1, 1, k_c²)) and by the sums that
// the loop uses, K = π/(2M), 1 − E/K = k²/2 + c_1²·σ.
func TestEllipticPublished(t *testing.T) {
	for _, row := range published.Table(t, "elliptic_KE.csv") {
		m, wantK, wantE := row.Number("m_parameter_k_squared"), row.Number("K"), row.Number("E")
		kc2 := 1 - m
		kc := math.Sqrt(kc2)
		// Some five steps with two roundings of the mean and the sum in each. And m
		// is rounded: 1−m moves by 2⁻⁵³, and K with it as dK/dm ≈ 1/(2k_c²), E as K/2.
		tolK, tolE := 10*0x1p-53, 10*0x1p-53
		if m > 0 {
			tolK += 0.5 / kc2 / wantK * 0x1p-53
			tolE += 0.5 * wantK / wantE * 0x1p-53
		}
		check := func(name string, got, want, tol float64) {
			if d := math.Abs(got/want - 1); d > tol {
				t.Errorf("m = %g: %s = %.17g, want %.17g (off by %.1e, tolerance %.1e)", m, name, got, want, d, tol)
			}
		}
		check("K by cel", cel(kc, 1, 1, 1), wantK, tolK)
		check("E by cel", cel(kc, 1, 1, kc2), wantE, tolE)
		a, half := (1+kc)/2, (1-kc)/2
		im, tau := ringMean(a*a, kc, half*half)
		k := math.Pi / 2 * im
		check("K", k, wantK, tolK)
		// The sum is subtracted from 1, which leaves E/K.
		s := 0.5*m + half*half*(1+half*half*tau)
		check("E", k*(1-s), wantE, tolE+4*0x1p-53*math.Abs(s)*k/wantE)
	}
}

// Bulirsch's own example, printed to 17 digits. The one with p < 0 is a principal value,
// which no field needs. The sums of a, b and their products lose some ε of the largest.
func TestCelPublished(t *testing.T) {
	checked := 0
	for _, row := range published.Table(t, "bulirsch_1969_cel.csv") {
		p := row.Number("p")
		if p < 0 {
			continue
		}
		checked++
		got, want := cel(row.Number("kc"), p, row.Number("a"), row.Number("b")), row.Number("published")
		if math.Abs(got/want-1) > 20*0x1p-53 {
			t.Errorf("%v: %.17g, want %.17g", row, got, want)
		}
	}
	if checked == 0 {
		t.Error("no row with p > 0")
	}
}

// cel with p ≠ 1 against its definition, by the trapezoidal rule: the integrand
// is smooth and periodic, so that it converges as exp(−n·const).
func TestCelDefinition(t *testing.T) {
	for _, c := range [][4]float64{{0.5, 0.3, 1, -0.5}, {0.9, 2, 1, 1}, {0.2, 0.04, -1, 1}, {0.7, 0.01, 1, 0.1}, {1.5, 0.8, 2, -1}} {
		kc, p, a, b := c[0], c[1], c[2], c[3]
		const n = 4000
		sum, size := 0.0, 0.0
		for i := range n {
			sin, cos := math.Sincos(math.Pi * (float64(i) + 0.5) / (2 * n))
			s2, c2 := sin*sin, cos*cos
			v := (a*c2 + b*s2) / ((c2 + p*s2) * math.Sqrt(c2+kc*kc*s2))
			sum += v
			size += math.Abs(v)
		}
		k := math.Pi / (2 * n)
		if got := cel(kc, p, a, b); math.Abs(got-k*sum) > 1e-14*k*size {
			t.Errorf("cel(%v) = %.16g, want %.16g", c, got, k*sum)
		}
	}
}
