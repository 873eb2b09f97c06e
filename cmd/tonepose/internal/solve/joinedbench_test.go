package solve

import (
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/growth"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/stream"
)

// benchmarkJoined solves recordings, file to tables, in windows of 10 ms every 5 ms, and
// joins their poses.
func benchmarkJoined(b *testing.B, how Trajectory) {
	growth.Recordings(b, filepath.Join("..", "..", "..", "..", "testdata"), func(b *testing.B, rig, recording string) error {
		_, err := Run(b.Context(), Options{Trajectory: how, Job: measure.Job{
			Input:   measure.Input{Recording: recording, Rig: rig},
			Windows: stream.Windows{Length: 10e-3, Hop: 5e-3}, Out: b.TempDir(), Force: true,
		}})
		return err
	})
}

func BenchmarkSmooth(b *testing.B) { benchmarkJoined(b, Smoothed) }

func BenchmarkSpline(b *testing.B) { benchmarkJoined(b, Splined) }
