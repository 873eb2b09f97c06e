package mutual_test

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

func ExampleModel_Evaluate() {
	// Griffiths, Introduction to Electrodynamics, 4th ed., Ex. 5.6: on the axis of a
	// loop B = μ0 I R²/2(R²+z²)^(3/2), 2.2214 µT at R = z = 0.1 m and I = 1 A. A small
	// coil of 0.004 m² there has M = 2.2214e-6·0.004 H, and the field's slope
	// −3Bz/(R²+z²) = −33.32 µT/m.
	array := fieldmodels.Array{Emitters: []fieldmodels.Emitter{
		{Name: "e1", Source: fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.1, Turns: 1}, r3.Vec{}, r3.Vec{Z: 1}), Axis: r3.Vec{Z: 1}},
	}}
	sensor := mutual.Sensor{Name: "probe", Coils: []mutual.Coil{{Axis: r3.Vec{Z: 1}, AreaTurns: 0.004}}}
	m, err := mutual.New(array, sensor)
	if err != nil {
		fmt.Println(err)
		return
	}
	var value [1]float64
	var slope [1][6]float64
	err = m.Evaluate(rigid.Pose{Position: r3.Vec{Z: 0.1}, Rotation: rigid.Identity().Rotation}, value[:], slope[:])
	fmt.Printf("%.3f nH, %.1f nH/m along z, %v\n", 1e9*value[0], 1e9*slope[0][2], err)
	fmt.Println(sensor.DegreesOfFreedom(), "degrees of freedom")
	// Output:
	// 8.886 nH, -133.3 nH/m along z, <nil>
	// 5 degrees of freedom
}

func ExamplePlaced_Couple() {
	// Maxwell, Treatise, art. 701: coaxial circles of 0.25 and 0.1 m, 0.5 m apart,
	// the smaller as a pickup of one turn: 6.8133 nH (testdata/published).
	pickup := mutual.NewPickup(mutual.Coil{Axis: r3.Vec{Z: 1}, AreaTurns: math.Pi * 0.1 * 0.1, Radius: 0.1})
	frame := mutual.NewFrame(rigid.Pose{Position: r3.Vec{Z: 0.5}, Rotation: rigid.Identity().Rotation})
	var placed mutual.Placed
	pickup.Place(&placed, &frame)
	var c mutual.Coupling
	err := placed.Couple(&c, fieldmodels.Loop{Radius: 0.25, Turns: 1})
	fmt.Printf("%.4f nH %v\n", 1e9*c.M, err)
	// Output: 6.8133 nH <nil>
}
