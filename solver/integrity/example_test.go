package integrity_test

import (
	"context"
	"fmt"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/integrity"
)

// An invented bench of six dipoles and a probe with two coils, the second of
// which is connected the wrong way round.
func ExampleInspector_Identify() {
	var p solver.Problem
	p.Volume = solver.Volume{Min: r3.Vec{X: -0.1, Y: -0.1, Z: 0.05}, Max: r3.Vec{X: 0.1, Y: 0.1, Z: 0.25}}
	for i, at := range []r3.Vec{{X: 0.1}, {Y: 0.1}, {X: -0.1}, {Y: -0.1}, {X: 0.05, Y: 0.05}, {X: -0.05, Y: 0.02}} {
		moment := r3.Vec{X: 0.02 * float64(i%3-1), Y: 0.02 * float64(i%2), Z: 0.1}
		p.Array.Emitters = append(p.Array.Emitters, fieldmodels.Emitter{
			Center: at, Axis: r3.Unit(moment), Source: &fieldmodels.PlacedDipole{Center: at, Moment: moment}})
	}
	p.Sensor.Coils = []mutual.Coil{
		{Center: r3.Vec{X: 0.003}, Axis: r3.Vec{Z: 1}, AreaTurns: 0.004},
		{Center: r3.Vec{Y: 0.005}, Axis: r3.Vec{X: 1}, AreaTurns: 0.004},
	}
	s, err := solver.New(p, solver.Options{})
	if err != nil {
		panic(err)
	}

	truth := rigid.Pose{Position: r3.Vec{X: 0.02, Y: -0.03, Z: 0.12}, Rotation: rigid.Exp(r3.Vec{X: 0.3, Y: 0.2, Z: 0.5})}
	c := solver.Couplings{Value: make([]float64, 12), Variance: make([]float64, 12)}
	if err := s.Evaluate(truth, c.Value, nil); err != nil {
		panic(err)
	}
	for i := range c.Value {
		c.Variance[i] = 1e-12 * 1e-12 // [H²]
		if i%2 == 1 {
			c.Value[i] = -c.Value[i]
		}
	}

	x := integrity.New(s)
	found, err := x.Identify(context.Background(), []solver.Couplings{c}, []solver.Result{s.Cold(c)})
	if err != nil {
		panic(err)
	}
	fmt.Println(found.Fault.Words([]string{"rx1", "rx2"}, nil))
	at := found.Poses[0].Position
	fmt.Printf("%.4f %.4f %.4f m\n", at.X, at.Y, at.Z)
	// Output:
	// coil rx2 looks reversed
	// 0.0200 -0.0300 0.1200 m
}
