package simulate

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/metal"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// couplingMap gives the mutual inductances of all coils on their courses, in the order
// of their channels.
type couplingMap struct {
	courses []course // of the sensors
	array   fieldmodels.Array
	sources *mutual.Sources // of the array's emitters
	coils   []pathCoil
	metal   []nearby
	yields  bool    // metal does, to coils
	asked   float64 // time of the last couplings [s]
}

// pathCoil is one pickup on its sensor. It keeps the couplings m of the pose at which
// the sensor last rested; empty: it moves.
type pathCoil struct {
	sensor, channel int
	name            string
	pickup          mutual.Pickup
	rest            rigid.Pose
	m               []complex128
}

func newCouplingMap(r *rig.Rig, p *Path) (*couplingMap, error) {
	array, err := r.Array()
	if err != nil {
		return nil, err
	}
	c := &couplingMap{array: array, asked: math.Inf(-1)}
	for i := range p.Tracks {
		c.courses = append(c.courses, course{{to: p.Tracks[i].motion}})
	}
	var sources []fieldmodels.Source
	for i := range array.Emitters {
		sources = append(sources, array.Emitters[i].Source)
	}
	c.sources = mutual.NewSources(sources)
	for s := range r.Sensors {
		sensor := r.Sensor(s)
		for i, coil := range sensor.Coils {
			c.coils = append(c.coils, pathCoil{sensor: s, channel: r.Sensors[s].Coils[i].Channel,
				name: fmt.Sprintf("coil %d of sensor %s", i+1, sensor.Name), pickup: mutual.NewPickup(coil)})
		}
	}
	slices.SortFunc(c.coils, func(a, b pathCoil) int { return a.channel - b.channel })
	return c, nil
}

// fill is a synth.Couplings: the couplings of all coils at t and their rates.
func (c *couplingMap) fill(t float64, m, dm []complex128) error {
	tones := len(c.array.Emitters)
	c.asked = t
	same, err := c.place(t)
	if err != nil {
		return err
	}
	var placed mutual.Sampled
	var k mutual.Couplings
	for p := range c.coils {
		coil := &c.coils[p]
		pose, v, w := c.courses[coil.sensor].At(t)
		m, dm := m[p*tones:(p+1)*tones], dm[p*tones:(p+1)*tones]
		resting := v == (r3.Vec{}) && w == (r3.Vec{})
		if resting && same && len(coil.m) > 0 && coil.rest == pose {
			copy(m, coil.m)
			clear(dm)
			continue
		}
		frame := mutual.NewFrame(pose)
		placed.Place(&coil.pickup, &frame)
		for first := 0; first < tones; first += mutual.Block {
			if err := placed.CoupleBlock(&k, c.sources, first/mutual.Block, false); err != nil {
				at, of := r3.Add(pose.Position, placed.Arm), new(mutual.SourceError)
				if !errors.As(err, &of) {
					return err
				}
				return fmt.Errorf("%s at (%.4f, %.4f, %.4f) m, emitter %s: %w: keep the path clear of the coils",
					coil.name, at.X, at.Y, at.Z, c.array.Emitters[of.Source].Name, of.Err)
			}
			for e := first; e < min(first+mutual.Block, tones); e++ {
				one := mutual.At(&k, e-first)
				m[e], dm[e] = complex(one.M, 0), complex(one.Rate(v, w), 0)
			}
		}
		for i := range c.metal {
			n := &c.metal[i]
			if !n.on {
				continue
			}
			if err := n.body.Add(m, dm, &coil.pickup, &frame, v, w); err != nil {
				if c.yields && errors.Is(err, metal.ErrInside) {
					continue // nothing was added
				}
				at := r3.Add(pose.Position, placed.Arm)
				return fmt.Errorf("%s at (%.4f, %.4f, %.4f) m, metal %s: %w: keep the path clear of it",
					coil.name, at.X, at.Y, at.Z, n.name, err)
			}
		}
		if coil.m = coil.m[:0]; resting {
			coil.rest, coil.m = pose, append(coil.m, m...)
		}
	}
	return nil
}
