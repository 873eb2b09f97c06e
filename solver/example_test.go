package solver_test

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// A ring of six tilted loops under a pipe, and a probe with three coils: the
// couplings of a known pose, as a bench would measure them, give it back.
func ExampleSolver_Cold() {
	var p solver.Problem
	for i := range 6 {
		sin, cos := math.Sincos(math.Pi / 3 * float64(i))
		center, axis := r3.Vec{X: 0.15 * cos, Y: 0.15 * sin}, r3.Vec{X: 0.3 * sin, Y: 0.2 * cos, Z: 1}
		p.Array.Emitters = append(p.Array.Emitters, fieldmodels.Emitter{
			Source: fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, center, axis),
			Center: center,
			Axis:   r3.Unit(axis),
		})
	}
	for _, axis := range []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
		p.Sensor.Coils = append(p.Sensor.Coils, mutual.Coil{Axis: axis, AreaTurns: 0.004, Radius: 0.004})
	}
	p.Volume = solver.Volume{Min: r3.Vec{X: -0.15, Y: -0.15, Z: 0.05}, Max: r3.Vec{X: 0.15, Y: 0.15, Z: 0.3}}

	s, err := solver.New(p, solver.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	truth := rigid.Pose{Position: r3.Vec{X: 0.04, Y: -0.02, Z: 0.12}, Rotation: rigid.Exp(r3.Vec{X: 0.5, Z: -1})}
	y := solver.Couplings{Value: make([]float64, 18), Variance: make([]float64, 18)}
	if err := s.Evaluate(truth, y.Value, nil); err != nil {
		fmt.Println(err)
		return
	}
	for i := range y.Variance {
		y.Variance[i] = 1e-12 * 1e-12 // a picohenry
	}

	r := s.Cold(y)
	at := r.Pose.Position
	fmt.Printf("%v at %.3f %.3f %.3f mm, %d degrees of freedom\n", r.Status, 1e3*at.X, 1e3*at.Y, 1e3*at.Z, r.DOF)
	// Output: converged at 40.000 -20.000 120.000 mm, 12 degrees of freedom
}
