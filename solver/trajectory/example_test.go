package trajectory_test

import (
	"context"
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/trajectory"
)

// A probe goes straight on at 50 mm/s: the windows tell where it is, and their
// succession how fast.
func ExampleRun() {
	s, err := solver.New(bench(), solver.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	var frames []trajectory.Frame
	for i := range 40 {
		t := 0.02 * float64(i)
		pose := rigid.Pose{Position: r3.Vec{X: -0.02 + 0.05*t, Y: 0.01, Z: 0.12}, Rotation: rigid.Exp(r3.Vec{X: 0.5})}
		c := solver.Couplings{Value: make([]float64, 6*3), Variance: make([]float64, 6*3)}
		if err := s.Evaluate(pose, c.Value, nil); err != nil {
			fmt.Println(err)
			return
		}
		for k := range c.Variance {
			c.Variance[k] = 1e-12 * 1e-12 // a picohenry
		}
		frames = append(frames, trajectory.Frame{Time: t, Couplings: c})
	}
	track, err := trajectory.Run(context.Background(), s, frames, trajectory.Options{Motion: trajectory.ConstantVelocity, PositionNoise: 1e-6, RotationNoise: 1e-6})
	if err != nil {
		fmt.Println(err)
		return
	}
	last := track.States[len(track.States)-1]
	fmt.Printf("at x = %.1f mm with %.1f mm/s\n", 1e3*last.Pose.Position.X, 1e3*last.Velocity.X)
	// Output: at x = 19.0 mm with 50.0 mm/s
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
