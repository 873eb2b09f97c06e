package plan

import (
	"path/filepath"
	"testing"
	"time"
)

// Plans of benches in testdata, from the rig file on: plans a
// second, and how long the first part took.
func BenchmarkPlan(b *testing.B) {
	for _, name := range []string{"pipe-bench", "four-probes"} {
		b.Run("rig="+name, func(b *testing.B) {
			file := filepath.Join("..", "..", "..", "..", "testdata", "rigs", name+".rig.yaml")
			var began time.Time
			var first time.Duration
			o := planDefaults
			o.Ready = func(_ *Plan, part Part) {
				if part == Electrics {
					first += time.Since(began)
				}
			}
			b.ReportAllocs()
			for b.Loop() {
				began = time.Now()
				if _, err := Run(b.Context(), file, o); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "plans/s")
			b.ReportMetric(first.Seconds()/float64(b.N), "s-to-first")
		})
	}
}
