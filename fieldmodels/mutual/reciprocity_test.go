package mutual

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// M12 = M21 between coils of different kinds: the flux of the loop's field
// through the rectangle or the winding, and of theirs through the loop's disc.
func TestReciprocity(t *testing.T) {
	loop := fieldmodels.Loop{Radius: 0.02, Turns: 3}
	pose := rigid.Pose{Position: r3.Vec{X: 0.05, Y: -0.03, Z: 0.12}, Rotation: rigid.Exp(r3.Vec{X: 0.7, Y: -0.4, Z: 1.1})}
	disc := discNodes(loop.Radius, 41)
	placed := fieldmodels.Place(loop, pose)
	axis := pose.Rotate(r3.Vec{Z: 1})

	const n = 24
	x, w := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, -1, 1)

	through := func(src fieldmodels.Source) float64 { // the loop's disc
		b, err := meanField(src, disc, pose)
		if err != nil {
			t.Fatal(err)
		}
		return loop.Turns * math.Pi * loop.Radius * loop.Radius * r3.Dot(b, axis)
	}

	rect := fieldmodels.Rectangle{Width: 0.06, Height: 0.04, Turns: 5}
	flux := 0.0
	for i := range x {
		for j := range x {
			b, err := placed.Field(r3.Vec{X: rect.Width / 2 * x[i], Y: rect.Height / 2 * x[j]})
			if err != nil {
				t.Fatal(err)
			}
			flux += rect.Turns * rect.Width * rect.Height / 4 * w[i] * w[j] * b.Z
		}
	}
	// All series converge below 1e-15: (0.036/0.1)^48 and (0.02/0.1)^42.
	if m := through(rect); math.Abs(m/flux-1) > 1e-13 {
		t.Errorf("rectangle: M = %g H one way, %g the other (off by %.1e)", m, flux, m/flux-1)
	}

	winding := fieldmodels.Winding{InnerRadius: 0.02, OuterRadius: 0.035, Length: 0.02, Turns: 400}
	flux = 0
	for i := range x {
		radius := 0.5*(winding.InnerRadius+winding.OuterRadius) + 0.5*(winding.OuterRadius-winding.InnerRadius)*x[i]
		nodes := discNodes(radius, 41)
		for j := range x {
			b, err := meanField(placed, nodes, rigid.Pose{Position: r3.Vec{Z: winding.Length / 2 * x[j]}, Rotation: rigid.Identity().Rotation})
			if err != nil {
				t.Fatal(err)
			}
			flux += winding.Turns / 4 * w[i] * w[j] * math.Pi * radius * radius * b.Z
		}
	}
	if m := through(winding); math.Abs(m/flux-1) > 1e-13 {
		t.Errorf("winding: M = %g H one way, %g the other (off by %.1e)", m, flux, m/flux-1)
	}
}
