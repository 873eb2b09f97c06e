package registration_test

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment/registration"
)

func ExamplePoints() {
	// Four marks on a board, and where they were seen: a quarter turn about z and a
	// shift.
	board := []r3.Vec{{}, {X: 0.1}, {Y: 0.2}, {X: 0.1, Y: 0.2, Z: 0.05}}
	seen := []r3.Vec{{X: 0.5}, {X: 0.5, Y: 0.1}, {X: 0.3}, {X: 0.3, Y: 0.1, Z: 0.05}}
	m, err := registration.Points(board, seen, nil, registration.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	x := m.Apply(r3.Vec{X: 0.05})
	fmt.Printf("(%.3f, %.3f, %.3f), %d degrees of freedom\n", x.X, x.Y, x.Z+0, m.DOF)
	// Output:
	// (0.500, 0.050, 0.000), 6 degrees of freedom
}

func ExamplePivot() {
	// A pointer of 150 mm along −z, turned about its tip at the origin.
	var poses []rigid.Pose
	for _, w := range []r3.Vec{{}, {X: 0.5}, {X: -0.5}, {Y: 0.5}, {Y: -0.5}} {
		q := rigid.Exp(w)
		poses = append(poses, rigid.Pose{Position: rigid.Rotate(q, r3.Vec{Z: 0.15}), Rotation: quat.Scale(1, q)})
	}
	tip, err := registration.Pivot(poses, nil, nil, registration.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("tip %.3f m below the body's origin\n", -tip.Tip.Z)
	// Output:
	// tip 0.150 m below the body's origin
}

func ExampleHandEye() {
	// A marker and a probe on one handle, 50 mm apart along the marker's x and
	// turned by a quarter about z, each followed by a system of its own.
	body := rigid.Pose{Position: r3.Vec{X: 0.05}, Rotation: rigid.Exp(r3.Vec{Z: math.Pi / 2})}
	var marker, probe []rigid.Pose
	for _, w := range []r3.Vec{{}, {X: 0.5}, {Y: 0.5}, {Z: 0.5}} {
		p := rigid.Pose{Position: r3.Scale(0.1, w), Rotation: rigid.Exp(w)}
		marker, probe = append(marker, p), append(probe, p.Compose(body))
	}
	x, err := registration.HandEye(registration.Movements(marker), registration.Movements(probe))
	if err != nil {
		fmt.Println(err)
		return
	}
	turn := rigid.Log(x.Rotation)
	fmt.Printf("%.3f m along x, turned by %.3f rad about z\n", x.Position.X, turn.Z)
	// Output:
	// 0.050 m along x, turned by 1.571 rad about z
}

func ExampleSphere() {
	// Five places of a probe's tip in a socket of 60 mm.
	ball, err := registration.Sphere([]r3.Vec{{X: 0.06}, {X: -0.06}, {Y: 0.06}, {Z: -0.06}, {X: 0.036, Y: 0.048}}, registration.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("radius %.3f m\n", ball.Radius)
	// Output:
	// radius 0.060 m
}
