package simulate

import (
	"fmt"
	"path/filepath"
	"testing"
)

// Benches of testdata, the whole way to their files: seconds of recording a second. The
// pipe bench has four channels of 100 kS/s, four probes have 16 of 200 kS/s, all eight
// tones. With every disturbance that simulate has, neither the rate nor the memory depend
// on the duration.
func BenchmarkSimulate(b *testing.B) {
	mains := Options{Bits: 16, Noise: 5e-9, MainsHz: 50, MainsV: 10e-6}
	all := mains
	all.FlickerHz, all.CurrentDrift, all.ClockPPM, all.ClockDriftPPM, all.CrosstalkOhm = 300, 5e-4, 31, 0.01, 1e-6
	for _, bench := range []struct {
		rig, disturbances string
		how               Options
	}{{"pipe-bench", "mains", mains}, {"pipe-bench", "all", all}, {"four-probes", "mains", mains}, {"four-probes", "all", all}} {
		for _, seconds := range []float64{5, 10, 20, 40} {
			b.Run(fmt.Sprintf("rig=%s/disturbances=%s/seconds=%g", bench.rig, bench.disturbances, seconds), func(b *testing.B) {
				rig := filepath.Join("..", "..", "..", "..", "testdata", "rigs", bench.rig+".rig.yaml")
				out := filepath.Join(b.TempDir(), "run")
				o := bench.how
				o.DurationS, o.Force = seconds, true
				b.ReportAllocs()
				for b.Loop() {
					if _, err := Run(b.Context(), rig, "sweep", out, o, nil); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(b.N)*seconds/b.Elapsed().Seconds(), "×real-time")
			})
		}
	}
}
