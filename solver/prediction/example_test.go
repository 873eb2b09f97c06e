package prediction_test

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/prediction"
)

// What a bench can tell of a pose before it is built: the bound is linear in the noise.
func ExamplePredictor_At() {
	pose := rigid.Pose{Position: r3.Vec{X: 0.04, Y: -0.02, Z: 0.12}, Rotation: rigid.Exp(r3.Vec{X: 0.5, Z: -1})}
	var bounds [2]prediction.Bound
	for i, sigma := range []float64{1e-12, 2e-12} { // [H]
		noise := prediction.Noise{SigmaH: make([]float64, 6*3)}
		for k := range noise.SigmaH {
			noise.SigmaH[k] = sigma
		}
		p, err := prediction.New(bench(), noise)
		if err != nil {
			fmt.Println(err)
			return
		}
		bounds[i] = p.At(pose)
	}
	fmt.Printf("observable: %v, twice the noise: %.3f times the error\n", bounds[0].Observable, bounds[1].PositionM/bounds[0].PositionM)
	// Output: observable: true, twice the noise: 2.000 times the error
}

// bench is a ring of six tilted loops and a probe with three coils.
func bench() solver.Problem {
	var p solver.Problem
	for i := range 6 {
		sin, cos := math.Sincos(math.Pi / 3 * float64(i))
		center, axis := r3.Vec{X: 0.15 * cos, Y: 0.15 * sin}, r3.Vec{X: 0.3 * sin, Y: 0.2 * cos, Z: 1}
		source := fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, center, axis)
		p.Array.Emitters = append(p.Array.Emitters, fieldmodels.Emitter{Source: source, Center: center, Axis: r3.Unit(axis)})
	}
	for _, axis := range []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
		p.Sensor.Coils = append(p.Sensor.Coils, mutual.Coil{Axis: axis, AreaTurns: 0.004, Radius: 0.004})
	}
	p.Volume = solver.Volume{Min: r3.Vec{X: -0.15, Y: -0.15, Z: 0.05}, Max: r3.Vec{X: 0.15, Y: 0.15, Z: 0.3}}
	return p
}
