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
// body in the first. No frame need be known. At least two movements that rotate
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
	_, turn, err := singular(len(a), func(k int) (_, _ quat.Number) { return a[k].Rotation, b[k].Rotation })
	if err != nil {
		return rigid.Pose{}, err
	}
	x := rigid.Pose{Rotation: quaternion(turn)}
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
	shift, err := linear(m, d)
	if err != nil {
		return rigid.Pose{}, err
	}
	x.Position = r3.Vec{X: shift.AtVec(0), Y: shift.AtVec(1), Z: shift.AtVec(2)}
	return x, nil
}

// singular returns the first singular vectors of Σ a ⊗ b over n pairs of rotations,
// read as matrices, the right one with a positive determinant: with matrices read
// row by row, vec(a·X·bᵀ) = (a ⊗ b)·vec(X).
func singular(n int, pair func(k int) (a, b quat.Number)) (left, right *mat.Dense, err error) {
	sum := mat.NewDense(9, 9, nil)
	for k := range n {
		p, q := pair(k)
		a, b := rigid.Matrix(p), rigid.Matrix(q)
		for i := range 9 {
			for j := range 9 {
				sum.Set(i, j, sum.At(i, j)+a[i/3][j/3]*b[i%3][j%3])
			}
		}
	}
	var svd mat.SVD
	if !svd.Factorize(sum, mat.SVDThin) {
		return nil, nil, ErrUndetermined
	}
	if values := svd.Values(nil); values[0]-values[1] < 1e-9*float64(n) {
		return nil, nil, fmt.Errorf("%w: the body must turn about two axes that are not parallel", ErrUndetermined)
	}
	var u, v mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	left, right = mat.NewDense(3, 3, mat.Col(nil, 0, &u)), mat.NewDense(3, 3, mat.Col(nil, 0, &v))
	if mat.Det(right) < 0 { // the pair's sign is free
		left.Scale(-1, left)
		right.Scale(-1, right)
	}
	return left, right, nil
}

// linear solves a·x = b by least squares. A large condition number only costs
// digits.
func linear(a *mat.Dense, b *mat.VecDense) (*mat.VecDense, error) {
	var x mat.VecDense
	if err := x.SolveVec(a, b); err != nil {
		if c, large := err.(mat.Condition); !large || math.IsInf(float64(c), 0) {
			return nil, ErrUndetermined
		}
	}
	return &x, nil
}

// quaternion is that of the rotation nearest to m.
func quaternion(m *mat.Dense) quat.Number {
	r, _ := nearestRotation(m)
	var a mat3
	for i := range a {
		copy(a[i][:], r.RawRowView(i))
	}
	return rigid.FromMatrix(a)
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
