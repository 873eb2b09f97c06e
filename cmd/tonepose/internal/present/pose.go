package present

import (
	"fmt"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Pose is the shape of a pose in JSON. Sigmas are one standard deviation along
// and about x, y and z of the frame that the pose is in; they are left out where
// nothing is known of them.
type Pose struct {
	Position      [3]float64  `json:"position_m"`
	Quaternion    [4]float64  `json:"quaternion"` // w, x, y, z
	SigmaPosition *[3]float64 `json:"sigma_position_m,omitempty"`
	SigmaRotation *[3]float64 `json:"sigma_rotation_rad,omitempty"`
}

// PoseOf is the shape of p.
func PoseOf(p rigid.Pose) Pose {
	return Pose{Position: vector(p.Position), Quaternion: quaternion(p.Rotation)}
}

// With adds sigmas, of position [m] and rotation [rad]; nil adds none.
func (p Pose) With(sigma *[6]float64) Pose {
	if sigma != nil {
		p.SigmaPosition, p.SigmaRotation = new([3]float64), new([3]float64)
		copy(p.SigmaPosition[:], sigma[:3])
		copy(p.SigmaRotation[:], sigma[3:])
	}
	return p
}

// String prints the pose in millimetres and as a quaternion.
func (p Pose) String() string {
	q := p.Quaternion
	return fmt.Sprintf("(%s) mm, quaternion (%.6f, %.6f, %.6f, %.6f)", triple(p.Position, 1e-3, 3), q[0], q[1], q[2], q[3])
}

// Rigid is the pose that p describes.
func (p Pose) Rigid() rigid.Pose {
	x, q := p.Position, p.Quaternion
	return rigid.Pose{Position: r3.Vec{X: x[0], Y: x[1], Z: x[2]}, Rotation: quat.Number{Real: q[0], Imag: q[1], Jmag: q[2], Kmag: q[3]}}
}

func vector(v r3.Vec) [3]float64          { return [3]float64{v.X, v.Y, v.Z} }
func quaternion(q quat.Number) [4]float64 { return [4]float64{q.Real, q.Imag, q.Jmag, q.Kmag} }
