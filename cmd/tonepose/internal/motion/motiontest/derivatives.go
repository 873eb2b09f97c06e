// Package motiontest checks paths in the tests of the packages that make them.
package motiontest

import (
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Derivatives compares velocity (m/s, frame of the world) and angular velocity
// (rad/s) of a path between two times (s) with central differences: error h²/6 of
// the third derivative, and rounding 2⁻⁵³/h.
func Derivatives(t *testing.T, at func(seconds float64) (rigid.Pose, r3.Vec, r3.Vec), from, to float64) {
	t.Helper()
	const h = 1e-5
	for i := range 400 {
		now := from + (to-from)*(float64(i)+0.5)/400
		_, v, w := at(now)
		a, _, _ := at(now - h)
		b, _, _ := at(now + h)
		dp, dr := b.Minus(a)
		// Third derivatives of these paths stay below 60·(0.3 m)/(20 ms)³.
		const tolerance = h*h/6*60*0.3/8e-6 + 1e-9
		if d := r3.Norm(r3.Sub(r3.Scale(0.5/h, dp), v)); d > tolerance {
			t.Fatalf("t = %g s: velocity %v, differences differ by %g", now, v, d)
		}
		if d := r3.Norm(r3.Sub(r3.Scale(0.5/h, dr), w)); d > 10*tolerance {
			t.Fatalf("t = %g s: angular velocity %v, differences differ by %g", now, w, d)
		}
	}
}
