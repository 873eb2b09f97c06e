// Package rigid provides rotations and rigid motions: poses of sensors,
// emitters and reference devices in the right-handed rig frame.
//
// A Pose carries a vector of the body's own frame to the rig frame. Small
// rotations are rotation vectors δ [rad] in the rig frame, applied from the
// left: q' = exp(δ/2)·q.
package rigid

import (
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Pose is the place and orientation of a body in the rig frame:
// v_rig = Position + R(Rotation)·v_body.
type Pose struct {
	Position r3.Vec      // [m]
	Rotation quat.Number // unit quaternion (w, x, y, z)
}
