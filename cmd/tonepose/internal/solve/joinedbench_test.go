package solve

import (
	"fmt"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
)

// benchmarkJoined solves recordings of four probes, file to tables, and joins their
// poses: 16 channels of 200 kS/s, 8 tones, 10 ms windows every 5 ms. Its rate is in
// seconds of recording a second.
func benchmarkJoined(b *testing.B, how Trajectory) {
	rigFile := filepath.Join("..", "..", "..", "..", "testdata", "rigs", "four-probes.rig.yaml")
	for _, seconds := range []float64{5, 10, 20, 40} {
		b.Run(fmt.Sprintf("seconds=%g", seconds), func(b *testing.B) {
			name := filepath.Join(b.TempDir(), "sweep")
			disturbed := simulate.Options{DurationS: seconds, Bits: 16, Noise: 5e-9, MainsHz: 50, MainsV: 10e-6, Seed: 1}
			if _, err := simulate.Run(b.Context(), rigFile, "sweep", name, disturbed, nil); err != nil {
				b.Fatal(err)
			}
			out := b.TempDir()
			b.ReportAllocs()
			for b.Loop() {
				_, err := Run(b.Context(), Options{Trajectory: how, Job: measure.Job{
					Input:   measure.Input{Recording: name + ".sigmf-meta", Rig: rigFile},
					Windows: stream.Windows{Length: 10e-3, Hop: 5e-3}, Out: out, Force: true,
				}})
				if err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "x_real_time")
		})
	}
}

func BenchmarkSmooth(b *testing.B) { benchmarkJoined(b, Smoothed) }

func BenchmarkSpline(b *testing.B) { benchmarkJoined(b, Splined) }
