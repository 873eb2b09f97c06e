//go:build slow

package campaign

import (
	"fmt"
	"testing"
)

func TestDrawnBenchesAsTheyComeAtLength(t *testing.T) {
	for _, speed := range []float64{0, 0.3, 0.6} {
		t.Run(fmt.Sprintf("%g m/s", speed), func(t *testing.T) { live(t, 12, 5, speed, 6*speed) })
	}
}
