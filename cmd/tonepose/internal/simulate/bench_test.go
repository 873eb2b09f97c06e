package simulate

import (
	"fmt"
	"path/filepath"
	"testing"
)

// The pipe bench of testdata, with four channels of 100 kS/s and eight tones, the whole
// way to its files: seconds of recording a second, and with every disturbance that
// simulate has. Neither they nor the memory depend on the duration.
func BenchmarkSimulate(b *testing.B) {
	mains := Options{Bits: 16, Noise: 5e-9, MainsHz: 50, MainsV: 10e-6}
	all := mains
	all.FlickerHz, all.CurrentDrift, all.ClockPPM, all.ClockDriftPPM, all.CrosstalkOhm = 300, 5e-4, 31, 0.01, 1e-6
	for name, o := range map[string]Options{"mains": mains, "all": all} {
		for _, o.DurationS = range []float64{5, 10, 20, 40} {
			b.Run(fmt.Sprintf("disturbances=%s/seconds=%g", name, o.DurationS), func(b *testing.B) {
				rig := filepath.Join("..", "..", "..", "..", "testdata", "rigs", "pipe-bench.rig.yaml")
				out := filepath.Join(b.TempDir(), "run")
				o.Force = true
				b.ReportAllocs()
				for b.Loop() {
					if _, err := Run(b.Context(), rig, "sweep", out, o, nil); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(b.N)*o.DurationS/b.Elapsed().Seconds(), "×real-time")
			})
		}
	}
}
