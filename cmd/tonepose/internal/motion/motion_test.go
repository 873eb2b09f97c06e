package motion

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/interp"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/motion/motiontest"
	"tonepose/fieldmodels/rigid"
)

func TestSplinePassesThroughItsPosesWhateverTheirSigns(t *testing.T) {
	times := []float64{0, 0.1, 0.2, 0.35, 0.5}
	poses := make([]rigid.Pose, len(times))
	for i, at := range times {
		poses[i] = rigid.Pose{
			Position: r3.Vec{X: math.Sin(at), Y: at * at, Z: 1},
			Rotation: rigid.Exp(r3.Vec{X: 2 * at, Y: 1 - at, Z: 3 * at * at}),
		}
		if i%2 == 1 { // q and −q are one rotation
			poses[i].Rotation = quat.Scale(-1, poses[i].Rotation)
		}
	}
	m, err := Through(times, poses)
	if err != nil {
		t.Fatal(err)
	}
	for i, at := range times {
		got, _, _ := m.At(at)
		if dp, dr := got.Minus(poses[i]); r3.Norm(dp) > 1e-14 || r3.Norm(dr) > 1e-14 {
			t.Errorf("knot %d missed by %g m, %g rad", i, r3.Norm(dp), r3.Norm(dr))
		}
	}
	motiontest.Derivatives(t, m.At, -0.02, 0.52)
}

// Not-a-knot splines of a cubic polynomial are that polynomial, at any knots; of
// anything they are those of gonum's interp, which solves the same conditions for
// the second derivatives.
func TestSlopes(t *testing.T) {
	x := []float64{-1, -0.4, 0.1, 0.3, 1.1, 1.5, 2}
	y := mat.NewDense(len(x), 2, nil)
	for i, v := range x {
		y.SetRow(i, []float64{1 - 2*v + 0.5*v*v - 3*v*v*v, math.Sin(7 * v)})
	}
	slopes, err := slopesOf(x, y)
	if err != nil {
		t.Fatal(err)
	}
	var other interp.NotAKnotCubic
	if err := other.Fit(x, mat.Col(nil, 1, y)); err != nil {
		t.Fatal(err)
	}
	for i, v := range x {
		// A few roundings of numbers up to 40, divided by steps down to 0.2.
		const tolerance = 1e-12
		if want := -2 + v - 9*v*v; math.Abs(slopes.At(i, 0)-want) > tolerance {
			t.Errorf("cubic at %g: slope %.15g, want %.15g", v, slopes.At(i, 0), want)
		}
		if want := other.PredictDerivative(v); math.Abs(slopes.At(i, 1)-want) > tolerance {
			t.Errorf("sine at %g: slope %.15g, want %.15g", v, slopes.At(i, 1), want)
		}
	}
}

// Between poses at uneven times, the first and the last of them included, the path is
// gonum's not-a-knot spline, which solves densely.
func TestPathBetweenPosesAtUnevenTimes(t *testing.T) {
	times := []float64{0, 0.001, 0.002, 0.5, 0.52, 0.8, 1.7, 1.701, 1.9, 2}
	poses, x := make([]rigid.Pose, len(times)), make([]float64, len(times))
	for i, at := range times {
		x[i] = math.Sin(3 * at)
		poses[i] = rigid.Pose{Position: r3.Vec{X: x[i]}, Rotation: rigid.Identity().Rotation}
	}
	m, err := Through(times, poses)
	if err != nil {
		t.Fatal(err)
	}
	var other interp.NotAKnotCubic
	if err := other.Fit(times, x); err != nil {
		t.Fatal(err)
	}
	for i := range 2001 {
		at := float64(i) / 1000
		p, v, _ := m.At(at)
		// Rounding of numbers up to 1, divided by steps down to 1 ms in slopes and
		// twice in curvatures: 2⁻⁵³/1e-3² over pieces of up to 0.9 s.
		const tolerance = 1e-9
		if want := other.Predict(at); math.Abs(p.Position.X-want) > tolerance {
			t.Fatalf("at %g s: %.15g m, want %.15g m", at, p.Position.X, want)
		}
		if want := other.PredictDerivative(at); math.Abs(v.X-want) > 10*tolerance {
			t.Fatalf("at %g s: %.15g m/s, want %.15g m/s", at, v.X, want)
		}
	}
}
