package fieldmodels_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

func TestPlaceAgrees(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	second := rigid.Pose{Position: r3.Vec{X: -0.3, Z: 0.1}, Rotation: rigid.Exp(r3.Vec{X: 1, Y: -2, Z: 0.5})}
	for _, m := range models() {
		once := fieldmodels.Place(m.source, testPose)
		twice := fieldmodels.Place(once, second)
		for _, p := range randomPoints(rng, m, 50) {
			want, err := m.source.Field(p)
			if err != nil {
				t.Fatal(err)
			}
			got1, err1 := once.Field(testPose.Apply(p))
			got2, err2 := twice.Field(second.Apply(testPose.Apply(p)))
			if err1 != nil || err2 != nil {
				t.Fatal(err1, err2)
			}
			// The place is rounded twice by transforming it; within 40 half diagonals
			// Field of a coil of straight sides errs by up to 3e-14 itself.
			tol := 1e-14 * (4 + 1/m.distance(p))
			if d := r3.Norm(r3.Sub(got1, testPose.Rotate(want))) / r3.Norm(want); d > tol {
				t.Errorf("%s at %v: placed once, off by %.1e", m.name, p, d)
			}
			if d := r3.Norm(r3.Sub(got2, second.Rotate(testPose.Rotate(want)))) / r3.Norm(want); d > tol {
				t.Errorf("%s at %v: placed twice, off by %.1e", m.name, p, d)
			}
		}
	}
}

func ExampleLoop_Field() {
	// Griffiths, Introduction to Electrodynamics, 4th ed., Ex. 5.6:
	// B = μ0 I R² / 2(R²+z²)^(3/2), with R = z = 0.1 m, I = 1 A.
	b, err := fieldmodels.Loop{Radius: 0.1, Turns: 1}.Field(r3.Vec{Z: 0.1})
	fmt.Printf("%.4f µT %v\n", 1e6*b.Z, err)
	// Output: 2.2214 µT <nil>
}

func ExamplePlaceAxis() {
	// The same loop, 0.1 m above a floor, facing down.
	coil := fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.1, Turns: 1}, r3.Vec{Z: 0.1}, r3.Vec{Z: -1})
	b, err := coil.Field(r3.Vec{})
	fmt.Printf("%.4f µT %v\n", 1e6*b.Z, err)
	// Output: -2.2214 µT <nil>
}
