package simulate

import (
	"fmt"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
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
	track  int
	name   string
	pickup mutual.Pickup
}

// restingCouplings remembers the couplings of a resting sensor's coil.
type restingCouplings struct {
	pose   rigid.Pose
	m      []complex128
	filled bool
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
				track:  s,
				name:   fmt.Sprintf("coil %d of sensor %s", i+1, sensor.Name),
				pickup: mutual.NewPickup(coil),
			})
			c.rest = append(c.rest, restingCouplings{m: make([]complex128, len(array.Emitters))})
		}
	}
	return c, coilOf, nil
}

// fill is a synth.Couplings: the couplings of all coils at t and their rates.
func (c *couplingMap) fill(t float64, m, dm []complex128) error {
	tones := len(c.array.Emitters)
	var placed mutual.Placed
	var k mutual.Coupling
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
		frame := mutual.NewFrame(pose)
		coil.pickup.Place(&placed, &frame)
		for e := range c.array.Emitters {
			if err := placed.Couple(&k, c.array.Emitters[e].Source); err != nil {
				at := r3.Add(pose.Position, placed.Arm)
				return fmt.Errorf("%s at (%.4f, %.4f, %.4f) m, emitter %s: %w: keep the path clear of the coils",
					coil.name, at.X, at.Y, at.Z, c.array.Emitters[e].Name, err)
			}
			m[e], dm[e] = complex(k.M, 0), complex(k.Rate(v, w), 0)
		}
		if rest.filled = resting; resting {
			rest.pose = pose
			copy(rest.m, m)
		}
	}
	return nil
}
