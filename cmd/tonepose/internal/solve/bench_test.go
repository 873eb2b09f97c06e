package solve

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/growth"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/stream"
)

// BenchmarkSolveRecording solves recordings, file to tables, in windows of 10 ms.
func BenchmarkSolveRecording(b *testing.B) {
	growth.Recordings(b, filepath.Join("..", "..", "..", "..", "testdata"), func(b *testing.B, rig, recording string) error {
		return solved(b, rig, recording)
	})
}

// BenchmarkSolveDisagreeing solves them with a gain that is a tenth off, so that the
// couplings of every frame disagree.
func BenchmarkSolveDisagreeing(b *testing.B) {
	growth.Recordings(b, filepath.Join("..", "..", "..", "..", "testdata"), func(b *testing.B, rig, recording string) error {
		text, err := os.ReadFile(rig)
		if err != nil {
			return err
		}
		const right = "name: rx11, full_scale_v: 2.5, gain: 100.0"
		if !strings.Contains(string(text), right) {
			return fmt.Errorf("%s has no channel %s", rig, right)
		}
		wrong := filepath.Join(b.TempDir(), "wrong.rig.yaml")
		if err := os.WriteFile(wrong, []byte(strings.Replace(string(text), right, strings.Replace(right, "100.0", "110.0", 1), 1)), 0o600); err != nil {
			return err
		}
		return solved(b, wrong, recording)
	})
}

func solved(b *testing.B, rig, recording string) error {
	_, err := Run(b.Context(), Options{Job: measure.Job{
		Input:   measure.Input{Recording: recording, Rig: rig},
		Windows: stream.Windows{Length: 10e-3, Hop: 10e-3}, Out: b.TempDir(), Force: true,
	}})
	return err
}
