package trajectory

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

// One probe of a bench of dipoles moves at 0.5 m/s through Hann windows of 10 ms every
// 5 ms, which come with their poses. The growth with the number of windows is that of
// ns/op.
func benchmark(b *testing.B, join func(frames []Frame, o Options) error) {
	s := bench(b, 3)
	rng := rand.New(rand.NewPCG(1, 1))
	const hop, whole = 5e-3, 3000
	path := wander(0.5, 3, rng)
	frames, rho := hann(b, s, path, 8*whole*hop+0.01, 2*hop, 25, 5e-13, rng)
	for i := range frames {
		pose := s.Warm(frames[i].Couplings, path(frames[i].Time)).Pose
		frames[i].Pose = &pose
	}
	for _, times := range []int{1, 2, 4, 8} {
		b.Run(fmt.Sprintf("windows=%d", times*whole), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := join(frames[:times*whole], Options{WindowSpread: 0.18076 * 2 * hop, Correlation: rho}); err != nil {
					b.Fatal(err)
				}
			}
			rate := float64(times*whole*b.N) / b.Elapsed().Seconds()
			b.ReportMetric(rate, "frames/s")
			b.ReportMetric(rate*hop, "x_real_time")
		})
	}
}

func BenchmarkSmooth(b *testing.B) {
	s := bench(b, 3)
	benchmark(b, func(frames []Frame, o Options) error {
		o.Smooth = true
		_, err := Run(b.Context(), s, frames, o)
		return err
	})
}

func BenchmarkFilter(b *testing.B) {
	s := bench(b, 3)
	benchmark(b, func(frames []Frame, o Options) error {
		_, err := Run(b.Context(), s, frames, o)
		return err
	})
}

func BenchmarkSpline(b *testing.B) {
	s := bench(b, 3)
	benchmark(b, func(frames []Frame, o Options) error {
		_, err := Spline(b.Context(), s, frames, o)
		return err
	})
}
