package simulate

import (
	"fmt"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// couplingMap gives the mutual inductances of all coils on a path, in the order of
// their channels.
type couplingMap struct {
	path  *Path
	array fieldmodels.Array
	coils []pathCoil
}

// pathCoil is one pickup on its sensor. It keeps the couplings m of the pose at which
// the sensor last rested; empty: it moves.
type pathCoil struct {
	track, channel int
	name           string
	pickup         mutual.Pickup
	rest           rigid.Pose
	m              []complex128
}

func newCouplingMap(r *rig.Rig, p *Path) (*couplingMap, error) {
	array, err := r.Array()
	if err != nil {
		return nil, err
	}
	c := &couplingMap{path: p, array: array}
	for s := range r.Sensors {
		sensor := r.Sensor(s)
		for i, coil := range sensor.Coils {
			c.coils = append(c.coils, pathCoil{track: s, channel: r.Sensors[s].Coils[i].Channel,
				name: fmt.Sprintf("coil %d of sensor %s", i+1, sensor.Name), pickup: mutual.NewPickup(coil)})
		}
	}
	slices.SortFunc(c.coils, func(a, b pathCoil) int { return a.channel - b.channel })
	return c, nil
}

// fill is a synth.Couplings: the couplings of all coils at t and their rates.
func (c *couplingMap) fill(t float64, m, dm []complex128) error {
	tones := len(c.array.Emitters)
	var placed mutual.Placed
	var k mutual.Coupling
	for p := range c.coils {
		coil := &c.coils[p]
		pose, v, w := c.path.Tracks[coil.track].At(t)
		m, dm := m[p*tones:(p+1)*tones], dm[p*tones:(p+1)*tones]
		resting := v == (r3.Vec{}) && w == (r3.Vec{})
		if resting && len(coil.m) > 0 && coil.rest == pose {
			copy(m, coil.m)
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
		if coil.m = coil.m[:0]; resting {
			coil.rest, coil.m = pose, append(coil.m, m...)
		}
	}
	return nil
}
