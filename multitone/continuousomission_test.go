package multitone

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	lowpass "tonepose/multitone/window"
)

// A low-pass over mended samples keeps its stated error while it remembers them, in
// each engine, and comes back to what it was; with nothing left it says so.
func TestContinuousWithoutSamples(t *testing.T) {
	const rate, n, sigma, period = 100e3, 40000, 1e-3, 8000
	c := Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Hz: 5123.4}, {Hz: 17577.7}}}
	x := []complex128{0.1, complex(0, 0.05)}
	for _, a := range []Averaging{
		{LowPass: lowpass.Spec{Kind: lowpass.Cascade, Order: 4, TimeConstantS: 1e-3}, Every: 100},
		{LowPass: lowpass.Spec{Kind: lowpass.Cascade, Order: 4, TimeConstantS: 1e-3}, Every: 7},
		{LowPass: lowpass.Spec{Kind: lowpass.Butterworth, Order: 4, CutoffHz: 100}, Every: 100},
	} {
		var square, stated, count float64
		lost := 0
		for seed := range uint64(12) {
			rng := rand.New(rand.NewPCG(seed+1, 41))
			samples := make([]float64, n)
			sines(samples, rate, []float64{5123.4, 17577.7}, x)
			noise(samples, sigma, rng)
			s, err := NewContinuous(c, a)
			if err != nil {
				t.Fatal(err)
			}
			m, err := NewMender(c, n)
			if err != nil {
				t.Fatal(err)
			}
			var bad []Span
			for at := int64(4000); at < 30000; at += period {
				bad = append(bad, Span{at, at + 150}, Span{at + 400, at + 401})
			}
			for _, v := range bad {
				clear(samples[v.Start:v.Stop])
				s.Omit(0, v.Start, v.Stop)
			}
			if left := m.Mend(samples, bad); left != nil {
				t.Fatal(left)
			}
			s.Omit(0, 33000, 40000) // nothing left
			s.MeasureNoise([][]float64{samples[:32000]})
			base := 0.0
			err = s.Write([][]float64{samples}, func(f *Frame) error {
				if f.Stop < 4000 {
					base = f.Variance[0]
				}
				if f.Stop == 28000/int64(a.Every)*int64(a.Every) && f.Variance[0] > 1.05*base {
					t.Errorf("%v: variance %g long after, %g before", a.LowPass.Kind, f.Variance[0], base)
				}
				if f.Stop > 33000 {
					if math.IsInf(f.Variance[0], 1) {
						lost++
					}
					return nil
				}
				for k := range x {
					v, variance := f.At(k, 0)
					d := cmplx.Abs(v - x[k])
					square += d * d / 2
					stated += variance
					count++
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		// Independent rows come every 1/(2·ENBW), some 2 ms: 12 recordings of 0.3 s and two
		// tones of two components are 7000 squares, of which the mean is known to 2 %; the
		// noise estimate has 12 times 32 windows, 3 %. Stated is more than true, by what the
		// fit knows from beside the low-pass's memory: at most 10 % of the rows' sum.
		if r := square / stated; r < 0.85 || r > 1.1 {
			t.Errorf("%v, every %d: squared error %.3f of that stated", a.LowPass.Kind, a.Every, r)
		}
		if lost == 0 {
			t.Errorf("%v: a phasor of nothing", a.LowPass.Kind)
		}
	}
}
