//go:build slow

package campaign

import (
	"fmt"
	"testing"

	"tonepose/cmd/tonepose/internal/stream"
)

func TestDrawnBenchesAsTheyComeAtLength(t *testing.T) {
	for _, speed := range []float64{0, 0.3, 0.6} {
		t.Run(fmt.Sprintf("%g m/s", speed), func(t *testing.T) { live(t, 12, 5, speed, 6*speed) })
	}
}

func TestDrawnBenchesWithALagAtLength(t *testing.T) {
	for _, hop := range []float64{2e-3, 5e-3, 10e-3} {
		for _, speed := range []float64{0.1, 0.3, 0.6} {
			t.Run(fmt.Sprintf("hop %g s, %g m/s", hop, speed), func(t *testing.T) {
				lagged(t, 6, stream.Windows{Length: 10e-3, Hop: hop}, 4, speed)
			})
		}
	}
}
