package statistics

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mathext"
)

func TestMedian(t *testing.T) {
	for _, c := range []struct {
		x    []float64
		want float64
	}{{[]float64{3, 1, 2}, 2}, {[]float64{4, 1, 3, 2}, 2.5}, {[]float64{7}, 7}, {nil, math.NaN()}} {
		if got := Median(c.x); got != c.want && !(math.IsNaN(got) && math.IsNaN(c.want)) {
			t.Errorf("median of %v is %g: want %g", c.x, got, c.want)
		}
	}
	// p·(n−1) counted from the first: a quarter of the way is at 1.25 of 1, 2, 4, 8, 16, 32.
	if got := Quantile([]float64{1, 2, 4, 8, 16, 32}, 0.25); got != 2.5 {
		t.Errorf("quartile %g: want 2.5", got)
	}
}

// The 5 % points of chi-square: Abramowitz and Stegun, table 26.8.
func TestChance(t *testing.T) {
	for dof, chi2 := range map[int]float64{1: 3.84146, 3: 7.81473, 10: 18.3070} {
		if got := Chance(chi2, dof); math.Abs(got-0.05) > 1e-6 {
			t.Errorf("%g with %d degrees of freedom: %g, want 0.05", chi2, dof, got)
		}
	}
	if Chance(5, 0) != 1 {
		t.Error("without freedom there is nothing to be surprised by")
	}
}

// Against the incomplete gamma function, which gonum states to some 1e-14. Where the series
// ends the other side goes on.
func TestChanceAgainstGamma(t *testing.T) {
	for dof := 1; dof <= mostTerms+1; dof++ {
		for _, chi2 := range []float64{0, 1e-9, 0.3, 1, 7.5, 40, 200, 2*mostHalf - 1e-9, 2 * mostHalf} {
			want := mathext.GammaIncRegComp(float64(dof)/2, chi2/2)
			if got := Chance(chi2, dof); math.Abs(got-want) > 1e-11*want {
				t.Errorf("%g with %d degrees of freedom: %g, want %g", chi2, dof, got, want)
			}
		}
	}
	if got := Chance(math.NaN(), 5); !math.IsNaN(got) {
		t.Errorf("of no number %g", got)
	}
}
