package rigid_test

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

func ExampleExpSE3() {
	// A quarter turn about z while moving 0.1 m along the body's own x: an arc of
	// radius 0.2/π (testdata/published/se3_exp_cases.json).
	p := rigid.ExpSE3(r3.Vec{X: 0.1}, r3.Vec{Z: math.Pi / 2})
	fmt.Printf("%.5f %.5f %.5f\n", p.Position.X, p.Position.Y, p.Position.Z)
	rho, theta := rigid.LogSE3(p)
	fmt.Printf("%.3f %.4f\n", rho.X, theta.Z)
	// Output:
	// 0.06366 0.06366 0.00000
	// 0.100 1.5708
}

func ExampleRightJacobian() {
	// About w itself nothing changes: Jr(w)·w = w (Solà et al., eq. (143)).
	w := r3.Vec{X: 0.1, Y: -0.2, Z: 0.3}
	j := rigid.RightJacobian(w)
	v := rigid.MulVec(&j, w)
	fmt.Printf("%.3f %.3f %.3f\n", v.X, v.Y, v.Z)
	// Output: 0.100 -0.200 0.300
}
