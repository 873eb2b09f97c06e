package inspect

import (
	"fmt"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/simulate"
)

// BenchmarkInspect inspects recordings of four probes, without figures: 16 channels of
// 200 kS/s, 8 tones. The time grows no faster than the duration, the memory not at all.
func BenchmarkInspect(b *testing.B) {
	rigFile := filepath.Join("..", "..", "..", "..", "testdata", "rigs", "four-probes.rig.yaml")
	for _, seconds := range []float64{5, 10, 20, 40} {
		b.Run(fmt.Sprintf("seconds=%g", seconds), func(b *testing.B) {
			name := filepath.Join(b.TempDir(), "sweep")
			how := simulate.Options{DurationS: seconds, Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6, ClockPPM: 31, Seed: 1}
			if _, err := simulate.Run(b.Context(), rigFile, "sweep", name, how, nil); err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Run(b.Context(), measure.Input{Recording: name + ".sigmf-meta", Rig: rigFile}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "×real-time")
		})
	}
}
