//go:build slow

package pipeline

import (
	"testing"

	"tonepose/fieldmodels/correction"
)

// Benches over plates near and far, of steel and of a perfect conductor.
func TestMapMetalIsHonestOften(t *testing.T) {
	for name, c := range map[string]struct{ height, share float64 }{
		"steel":      {-0.1, (19. - 1) / (19 + 1)},
		"steel, far": {-0.25, (19. - 1) / (19 + 1)},
		"conductor":  {-0.12, -1},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			all := honest(t, 16, 1, 80, 100, c.height, c.share, correction.Options{})
			all.check(t)
			inside, normalised := all.inside/all.stations, all.normalised/all.stations
			if inside < 0.9 || inside > 0.98 || normalised < 0.85 || normalised > 1.15 {
				t.Errorf("%.1f %% inside the 95 %% ellipsoids, normalised %.2f", 100*inside, normalised)
			}
		})
	}
}
