package frequencyplan

import (
	"math"
	"testing"
)

func TestGradientAgainstDifferences(t *testing.T) {
	m, err := newMultisine([]float64{3, 5, 8, 13}, []float64{1, 0.5, 2, 1}, 1)
	if err != nil {
		t.Fatal(err)
	}
	f := newPowerMean(m)
	phases := []float64{0.3, -1, 2, 0.7}
	for _, f.p = range []int{4, 32, 128} {
		slope := make([]float64, 4)
		f.gradient(slope, phases)
		for k := range phases {
			// Fourth order: error h⁴/30 of the fifth derivative, below p⁴ here;
			// rounding 2⁻⁵²/h.
			const h = 1e-4
			at := func(d float64) float64 {
				p := append([]float64(nil), phases...)
				p[k] += d
				return f.value(p)
			}
			want := (8*(at(h)-at(-h)) - at(2*h) + at(-2*h)) / (12 * h)
			if tolerance := math.Pow(h*float64(f.p), 4)/30 + 1e-11; math.Abs(slope[k]-want) > tolerance {
				t.Errorf("p = %d, phase %d: slope %.12g, differences %.12g", f.p, k, slope[k], want)
			}
		}
	}
}
