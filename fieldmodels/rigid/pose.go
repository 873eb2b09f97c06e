// Package rigid provides rotations and rigid motions: poses of sensors,
// emitters and reference devices in the right-handed rig frame.
//
// A Pose carries a vector of the body's own frame to the rig frame. Small
// rotations are rotation vectors δ [rad] in the rig frame, applied from the
// left: q' = exp(δ/2)·q. Positions are in metres, quaternions are of unit length; covariances are
// over x, y, z [m] and δ [rad], all in the rig frame.
//
//	p := pose.Apply(tip)		// a point of the body in the rig frame
//	p2 := pose.Plus(dp, delta)	// moved and turned a little; Minus is its inverse
//	ab := a.Compose(b)		// b's pose is in a's frame
package rigid

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Pose is the position and orientation of a body in the rig frame:
// v_rig = Position + R(Rotation)·v_body.
type Pose struct {
	Position r3.Vec      // [m]
	Rotation quat.Number // unit quaternion (w, x, y, z)
}

// Identity returns the pose of a body whose frame is the rig frame.
func Identity() Pose { return Pose{Rotation: quat.Number{Real: 1}} }

// Apply carries the point v [m] of the body frame to the rig frame.
func (p Pose) Apply(v r3.Vec) r3.Vec {
	return r3.Add(p.Position, Rotate(p.Rotation, v))
}

// Rotate carries the direction v of the body frame to the rig frame.
func (p Pose) Rotate(v r3.Vec) r3.Vec { return Rotate(p.Rotation, v) }

// Finite reports whether all of the pose's numbers are finite.
func (p Pose) Finite() bool {
	q := p.Rotation
	sum := p.Position.X + p.Position.Y + p.Position.Z + q.Real + q.Imag + q.Jmag + q.Kmag
	return !math.IsNaN(sum) && !math.IsInf(sum, 0)
}

// Inverse returns the pose of the rig frame in the body frame.
func (p Pose) Inverse() Pose {
	q := quat.Conj(p.Rotation)
	return Pose{Position: r3.Scale(-1, Rotate(q, p.Position)), Rotation: q}
}

// Compose returns the pose, in the frame of p, of a body whose pose in the
// frame that p describes is o: Compose(o).Apply(v) = p.Apply(o.Apply(v)).
// The rotation is brought back to unit length.
func (p Pose) Compose(o Pose) Pose {
	return Pose{
		Position: p.Apply(o.Position),
		Rotation: Normalize(quat.Mul(p.Rotation, o.Rotation)),
	}
}

// Plus returns p moved by dp [m] and rotated by the rotation vector dr [rad],
// both in the rig frame, the rotation about the body's own origin. The rotation is
// brought back to unit length.
func (p Pose) Plus(dp, dr r3.Vec) Pose {
	return Pose{
		Position: r3.Add(p.Position, dp),
		Rotation: Normalize(quat.Mul(Exp(dr), p.Rotation)),
	}
}

// Minus returns the step from o to p: o.Plus(p.Minus(o)) = p, with |dr| ≤ π.
func (p Pose) Minus(o Pose) (dp, dr r3.Vec) {
	return r3.Sub(p.Position, o.Position), Log(quat.Mul(p.Rotation, quat.Conj(o.Rotation)))
}

// ExpSE3 returns the rigid motion reached after unit time by a body that moves
// with velocity rho [m] and turns with angular velocity theta [rad], both
// constant in its own frame: a screw. Position = Jl(theta)·rho.
//
// Source: Solà, Deray, Atchuthan, arXiv:1812.01537 (2018), eq. (172).
func ExpSE3(rho, theta r3.Vec) Pose {
	jl := LeftJacobian(theta)
	return Pose{Position: MulVec(&jl, rho), Rotation: Exp(theta)}
}

// LogSE3 is the inverse of ExpSE3, with |theta| ≤ π.
func LogSE3(p Pose) (rho, theta r3.Vec) {
	theta = Log(p.Rotation)
	inverse := LeftJacobianInverse(theta)
	return MulVec(&inverse, p.Position), theta
}
