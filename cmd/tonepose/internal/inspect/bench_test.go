package inspect

import (
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/growth"
	"tonepose/cmd/tonepose/internal/measure"
)

// BenchmarkInspect inspects recordings, without figures.
func BenchmarkInspect(b *testing.B) {
	growth.Recordings(b, filepath.Join("..", "..", "..", "..", "testdata"), func(b *testing.B, rig, recording string) error {
		_, err := Run(b.Context(), measure.Input{Recording: recording, Rig: rig}, "")
		return err
	})
}
