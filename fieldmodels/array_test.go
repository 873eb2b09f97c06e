package fieldmodels_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// Shift, tilt and strength against four-point differences of a source that is
// really moved: a rectangle, so that a turn about its axis counts too.
func TestParameterDerivatives(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	source := fieldmodels.Rectangle{Width: 0.06, Height: 0.04, Turns: 20}
	for range 50 {
		pose := rigid.Pose{
			Position: r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()},
			Rotation: rigid.Normalize(quat.Number{Real: rng.NormFloat64(), Imag: rng.NormFloat64(), Jmag: rng.NormFloat64(), Kmag: rng.NormFloat64()}),
		}
		p := r3.Add(pose.Position, r3.Scale(0.15+0.3*rng.Float64(), r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})))
		e := fieldmodels.Emitter{Source: fieldmodels.Place(source, pose), Center: pose.Position}
		b, d, err := e.ParameterDerivatives(p)
		if err != nil {
			t.Fatal(err)
		}
		if d[6] != b {
			t.Errorf("strength: %v, want B = %v", d[6], b)
		}
		const h = 1e-4 // of 0.15 m and of 1 rad: truncation below (h/0.1)⁴, rounding 1e-16/h
		for k := range 6 {
			at := func(s float64) r3.Vec {
				var step [6]float64
				step[k] = s * h
				moved := pose.Plus(r3.Vec{X: step[0], Y: step[1], Z: step[2]}, r3.Vec{X: step[3], Y: step[4], Z: step[5]})
				v, err := fieldmodels.Place(source, moved).Field(p)
				if err != nil {
					t.Fatal(err)
				}
				return v
			}
			want := r3.Scale(1/(12*h), r3.Sub(r3.Scale(8, r3.Sub(at(1), at(-1))), r3.Sub(at(2), at(-2))))
			scale := r3.Norm(b)
			if k < 3 {
				scale /= 0.15
			}
			if e := r3.Norm(r3.Sub(d[k], want)) / scale; e > 1e-9 {
				t.Errorf("parameter %d: %v, want %v (off by %.1e)", k, d[k], want, e)
			}
		}
	}
	on := fieldmodels.Emitter{Source: fieldmodels.Loop{Radius: 1, Turns: 1}}
	if _, _, err := on.ParameterDerivatives(r3.Vec{X: 1}); !errors.Is(err, fieldmodels.ErrOnConductor) {
		t.Errorf("on the conductor: %v", err)
	}
}

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
			// The place is rounded twice by transforming it.
			tol := 1e-14 * (1 + 1/m.distance(p))
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
