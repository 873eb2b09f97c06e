package registration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// HandEye finds X in A·X = X·B from movements of two bodies that are fixed to
// each other: a as one system saw them, b as the other, X the pose of the second
// body in the first. No frame need be known. Two movements at least that turn
// about axes not parallel are needed.
//
// Rotations: vec(X) is the first singular vector of Σ A ⊗ B, for A·X·Bᵀ = X.
// Shifts: (R_A − I)·t_X = R_X·t_B − t_A. Where the poses themselves are known,
// Poses weighs them better and gives the uncertainty.
func HandEye(a, b []rigid.Pose) (rigid.Pose, error) {
	if len(a) != len(b) {
		panic("registration: movements differ in number")
	}
	if len(a) < 2 {
		return rigid.Pose{}, fmt.Errorf("%w: %d movements, at least 2 are needed", ErrUndetermined, len(a))
	}
	k := mat.NewDense(9, 9, nil)
	for i := range a {
		addKronecker(k, rigid.Matrix(a[i].Rotation), rigid.Matrix(b[i].Rotation))
	}
	var svd mat.SVD
	if !svd.Factorize(k, mat.SVDThin) {
		return rigid.Pose{}, ErrUndetermined
	}
	values := svd.Values(nil)
	if values[0]-values[1] < 1e-9*float64(len(a)) {
		return rigid.Pose{}, fmt.Errorf("%w: the movements must turn about two axes that are not parallel", ErrUndetermined)
	}
	var v mat.Dense
	svd.VTo(&v)
	turn := mat.NewDense(3, 3, mat.Col(nil, 0, &v))
	if mat.Det(turn) < 0 {
		turn.Scale(-1, turn)
	}
	x := rigid.Pose{Rotation: rotationOf(turn)}
	m, d := mat.NewDense(3*len(a), 3, nil), mat.NewVecDense(3*len(a), nil)
	for i := range a {
		left := rigid.Matrix(a[i].Rotation)
		for k := range left {
			left[k][k]--
		}
		setBlock(m, 3*i, 0, 1, left)
		for k, v := range array3(r3.Sub(x.Rotate(b[i].Position), a[i].Position)) {
			d.SetVec(3*i+k, v)
		}
	}
	var shift mat.VecDense
	if err := shift.SolveVec(m, d); err != nil {
		if c, bad := err.(mat.Condition); !bad || math.IsInf(float64(c), 0) {
			return rigid.Pose{}, ErrUndetermined
		}
	}
	x.Position = r3.Vec{X: shift.AtVec(0), Y: shift.AtVec(1), Z: shift.AtVec(2)}
	return x, nil
}

// Movements are the steps from the first pose to every other in the body's own
// frame, as HandEye takes them.
func Movements(poses []rigid.Pose) []rigid.Pose {
	var out []rigid.Pose
	for _, p := range poses[1:] {
		step := poses[0].Inverse().Compose(p)
		step.Rotation = quat.Scale(1/quat.Abs(step.Rotation), step.Rotation)
		out = append(out, step)
	}
	return out
}
