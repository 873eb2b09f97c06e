package measure_test

import (
	"math/rand/v2"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/growth"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/window"
)

// BenchmarkMeasureRecording measures the tones of recordings, file to table, in windows of
// 10 ms.
func BenchmarkMeasureRecording(b *testing.B) {
	benchmarkMeasure(b, stream.Windows{Length: 10e-3, Hop: 10e-3})
}

// BenchmarkMeasureLowPass measures them behind a Butterworth low-pass of order 4 at 50 Hz.
func BenchmarkMeasureLowPass(b *testing.B) {
	benchmarkMeasure(b, stream.Windows{LowPass: &stream.LowPass{Spec: window.Spec{Kind: window.Butterworth, Order: 4, CutoffHz: 50}}})
}

func benchmarkMeasure(b *testing.B, w stream.Windows) {
	growth.Recordings(b, filepath.Join("..", "..", "..", "..", "testdata"), func(b *testing.B, rig, recording string) error {
		_, err := measure.Tones(b.Context(), measure.Job{Input: measure.Input{Recording: recording, Rig: rig}, Windows: w, Out: b.TempDir(), Force: true})
		return err
	})
}

// BenchmarkMeasureOverlapping measures overlapping intervals of half a second to one and a half, no two as long, of ten
// seconds of the pipe bench: tones alone, with mains, and with a clock that drifts.
func BenchmarkMeasureOverlapping(b *testing.B) {
	rig := filepath.Join("..", "..", "..", "..", "testdata", "rigs", "pipe-bench.rig.yaml")
	const seconds = 10
	for _, with := range []struct {
		name         string
		mains, drift float64
	}{{"tones", 0, 0}, {"mains", 50, 0}, {"mains-drift", 50, 1}} {
		b.Run("case="+with.name, func(b *testing.B) {
			name := filepath.Join(b.TempDir(), "sweep")
			how := simulate.Options{DurationS: seconds, Bits: 16, Noise: 5e-9, MainsHz: with.mains, MainsV: 10e-6, ClockPPM: 20, ClockDriftPPM: with.drift, Seed: 1}
			if _, err := simulate.Run(b.Context(), rig, "sweep", name, how, nil); err != nil {
				b.Fatal(err)
			}
			growth.Row{Length: "intervals", First: 375, Rate: "intervals/s", Prepare: func(b *testing.B, count float64) func() error {
				rng := rand.New(rand.NewPCG(1, 2))
				var w stream.Windows
				for range int(count) {
					length := 0.5 + rng.Float64()
					start := rng.Float64() * (seconds - length)
					w.Intervals = append(w.Intervals, stream.Interval{Start: start, Stop: start + length})
				}
				return func() error {
					_, err := measure.Tones(b.Context(), measure.Job{Input: measure.Input{Recording: name + ".sigmf-meta", Rig: rig}, Windows: w, Out: b.TempDir(), Force: true})
					return err
				}
			}}.Run(b)
		})
	}
}
