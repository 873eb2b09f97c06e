package simulate

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// couplingMap gives the mutual inductances of all coils on a path.
type couplingMap struct {
	path  *Path
	array fieldmodels.Array
	coils []pathCoil
	order []int // coil of each pickup channel, in channel order
	rest  []restingCouplings
}

// pathCoil is one pickup on its sensor.
type pathCoil struct {
	track int
	name  string
	axis  r3.Vec // times turns·area [m²], sensor frame
	nodes []discNode
}

// restingCouplings remembers the couplings of a resting sensor's coil.
type restingCouplings struct {
	pose   rigid.Pose
	m      []complex128
	filled bool
}

// discNode is a point of a coil's disc in the sensor frame [m]; the weights of a
// disc sum to one.
type discNode struct {
	point  r3.Vec
	weight float64
}

// discNodes averages over a disc: two Gauss–Legendre rings in r² with eight
// points each, exact for polynomials up to degree 7. A disc of radius 0 is its
// centre.
//
// Source: product rule for the disc, Stroud, Approximate Calculation of Multiple
// Integrals (1971), S2.
func discNodes(center, axis r3.Vec, radius float64) []discNode {
	if radius == 0 {
		return []discNode{{center, 1}}
	}
	const rays = 8
	turn := rigid.Between(r3.Vec{Z: 1}, axis)
	var out []discNode
	for ring, s := range []float64{0.5 - math.Sqrt(1./12), 0.5 + math.Sqrt(1./12)} {
		for k := range rays {
			sin, cos := math.Sincos(2 * math.Pi * (float64(k) + float64(ring)/2) / rays)
			r := radius * math.Sqrt(s)
			p := r3.Add(center, rigid.Rotate(turn, r3.Vec{X: r * cos, Y: r * sin}))
			out = append(out, discNode{p, 0.5 / rays})
		}
	}
	return out
}

// newCouplingMap also returns the coil on each channel, −1 where none is.
func newCouplingMap(r *rig.Rig, p *Path) (*couplingMap, []int, error) {
	array, err := r.Array()
	if err != nil {
		return nil, nil, err
	}
	c := &couplingMap{path: p, array: array}
	coilOf := make([]int, len(r.Channels))
	for i := range coilOf {
		coilOf[i] = -1
	}
	for s := range r.Sensors {
		sensor := r.Sensor(s)
		for i, coil := range sensor.Coils {
			channel := r.Sensors[s].Coils[i].Channel
			coilOf[channel] = len(c.coils)
			c.coils = append(c.coils, pathCoil{
				track: s,
				name:  fmt.Sprintf("coil %d of sensor %s", i+1, sensor.Name),
				axis:  r3.Scale(coil.AreaTurns, coil.Axis),
				nodes: discNodes(coil.Center, coil.Axis, coil.Radius),
			})
			c.rest = append(c.rest, restingCouplings{m: make([]complex128, len(array.Emitters))})
		}
	}
	return c, coilOf, nil
}

// fill is a synth.Couplings: M = Σ w·n·B over a coil's disc, and
// dM/dt = Σ w·(n·(∇B)·(v + ω×a) + (ω×n)·B), a the arm of the point.
func (c *couplingMap) fill(t float64, m, dm []complex128) error {
	tones := len(c.array.Emitters)
	for p, which := range c.order {
		coil, rest := &c.coils[which], &c.rest[which]
		pose, v, w := c.path.Tracks[coil.track].At(t)
		m, dm := m[p*tones:(p+1)*tones], dm[p*tones:(p+1)*tones]
		resting := v == (r3.Vec{}) && w == (r3.Vec{})
		if resting && rest.filled && rest.pose == pose {
			copy(m, rest.m)
			clear(dm)
			continue
		}
		axis := pose.Rotate(coil.axis)
		turning := r3.Cross(w, axis)
		clear(m)
		clear(dm)
		for _, node := range coil.nodes {
			arm := pose.Rotate(node.point)
			at := r3.Add(pose.Position, arm)
			moving := r3.Add(v, r3.Cross(w, arm))
			for e := range c.array.Emitters {
				b, j, err := c.array.Emitters[e].Source.Gradient(at)
				if err != nil {
					return fmt.Errorf("%s at (%.4f, %.4f, %.4f) m, emitter %s: %w: keep the path clear of the coils",
						coil.name, at.X, at.Y, at.Z, c.array.Emitters[e].Name, err)
				}
				db := r3.Vec{
					X: j[0][0]*moving.X + j[0][1]*moving.Y + j[0][2]*moving.Z,
					Y: j[1][0]*moving.X + j[1][1]*moving.Y + j[1][2]*moving.Z,
					Z: j[2][0]*moving.X + j[2][1]*moving.Y + j[2][2]*moving.Z,
				}
				m[e] += complex(node.weight*r3.Dot(axis, b), 0)
				dm[e] += complex(node.weight*(r3.Dot(axis, db)+r3.Dot(turning, b)), 0)
			}
		}
		if rest.filled = resting; resting {
			rest.pose = pose
			copy(rest.m, m)
		}
	}
	return nil
}
