package solve

import (
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/growth"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/stream"
)

// BenchmarkSolveRecording solves recordings, file to tables, in windows of 10 ms.
func BenchmarkSolveRecording(b *testing.B) {
	growth.Recordings(b, filepath.Join("..", "..", "..", "..", "testdata"), func(b *testing.B, rig, recording string) error {
		_, err := Run(b.Context(), Options{Job: measure.Job{
			Input:   measure.Input{Recording: recording, Rig: rig},
			Windows: stream.Windows{Length: 10e-3, Hop: 10e-3}, Out: b.TempDir(), Force: true,
		}})
		return err
	})
}
