package measure_test

import (
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/growth"
	"tonepose/cmd/tonepose/internal/measure"
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
