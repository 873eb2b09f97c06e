//go:build slow

package calibrate

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
)

// ball is a perfectly conducting one: the dipole −2πa³/μ0 times the field that it
// stands in, which cancels the field across its surface (common practice; agrees with a public copy).
func ball(center r3.Vec, radius float64) nearby {
	return func(l *fieldmodels.PlacedLoop) fieldmodels.Source {
		b, _ := l.Field(center)
		return &fieldmodels.PlacedDipole{Center: center, Moment: r3.Scale(-2*math.Pi*math.Pow(radius, 3)/fieldmodels.Mu0, b)}
	}
}

// Benches over plates near and far, of steel and of a perfect conductor, and
// beside a ball.
func TestMapMetalIsHonestOften(t *testing.T) {
	for name, near := range map[string]nearby{
		"steel":      plate(-0.1, steel),
		"steel, far": plate(-0.25, steel),
		"conductor":  plate(-0.12, -1),
		"ball":       ball(r3.Vec{X: 0.33, Y: 0.1, Z: 0.15}, 0.06),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			all := honest(t, 16, 1, 80, 100, near, correction.Options{})
			all.check(t)
			inside, normalised := all.inside/all.stations, all.normalised/all.stations
			if inside < 0.9 || inside > 0.98 || normalised < 0.85 || normalised > 1.15 {
				t.Errorf("%.1f %% inside the 95 %% ellipsoids, normalised %.2f", 100*inside, normalised)
			}
		})
	}
}
