package multitone

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestMainsFindsFamilyAndHarmonics(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for _, test := range []struct {
		rate, f, seconds, within float64
	}{
		// The bound on a line's frequency is far below a hundredth of a bin at
		// these levels; interpolation on a logarithmic parabola of a Hann lobe
		// padded four times errs by less than 0.01 bin, over the harmonic.
		{100e3, 49.93, 3, 0.01 / 3},
		{250e3, 60.04, 2, 0.01 / 2},
		{96e3, 50, 0.5, 0.01 / 0.5},
	} {
		n := int(test.rate * test.seconds)
		x := [][]float64{make([]float64, n), make([]float64, n)}
		for c := range x {
			sines(x[c], test.rate, []float64{test.f, 3 * test.f, 5 * test.f, 5125, 7575}, []complex128{20e-3, complex(0, 10e-3), 6e-3, 0.3, 0.2})
			noise(x[c], 2e-4, rng)
		}
		m := NewMains(test.rate, 2, []Tone{{Hz: 5125}, {Hz: 7575}})
		for at := 0; at < n; at += 4096 {
			m.Write([][]float64{x[0][at:min(at+4096, n)], x[1][at:min(at+4096, n)]})
		}
		f, sigma, lines := m.Lines()
		if math.Abs(f-test.f) > test.within {
			t.Errorf("fundamental %.4f Hz, want %.4f ± %.2g", f, test.f, test.within)
		}
		if off := math.Abs(f - test.f); !(off < 3*sigma) {
			t.Errorf("fundamental off by %.2g Hz with a sigma of %.2g Hz", off, sigma)
		}
		for _, h := range []float64{1, 3, 5} {
			found := false
			for _, l := range lines {
				found = found || math.Abs(l.Hz-h*test.f) < 5*test.within
			}
			if !found {
				t.Errorf("%g Hz: harmonic %g is not among %v", test.f, h, lines)
			}
		}
	}
}

// White noise has no mains: each of 80 places on two channels passes the
// threshold by chance in one of e³⁰ cases.
func TestMainsSeesNoneInNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	for range 20 {
		x := [][]float64{make([]float64, 20000)}
		noise(x[0], 1, rng)
		m := NewMains(10e3, 1, nil)
		m.Write(x)
		if f, _, lines := m.Lines(); f != 0 || lines != nil {
			t.Errorf("found %g Hz with %v in white noise", f, lines)
		}
	}
}
