package inspect

import (
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/simulate"
)

// BenchmarkInspect inspects a recording of four probes, without figures: 16 channels
// of 200 kS/s, 8 tones.
func BenchmarkInspect(b *testing.B) {
	const seconds = 10
	rigFile := filepath.Join("..", "..", "..", "..", "testdata", "rigs", "four-probes.rig.yaml")
	name := filepath.Join(b.TempDir(), "sweep")
	how := simulate.Options{DurationS: seconds, Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6, ClockPPM: 31, Seed: 1}
	if _, err := simulate.Run(b.Context(), rigFile, "sweep", name, how, nil); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := Run(b.Context(), measure.Input{Recording: name + ".sigmf-meta", Rig: rigFile}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "×real-time")
}
