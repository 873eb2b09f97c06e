package calibration

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// emitter is one emitter moved by the present parameters.
type emitter struct {
	source   fieldmodels.Source // moved, at the drawn strength
	nearby   fieldmodels.Source // nil: nothing
	center   vec3               // moved
	strength float64
	omega    float64
	basis    [3]vec3 // rig-frame rotation per unit of each tilt parameter
}

// coil is one pickup moved by the present parameters.
type coil struct {
	pickup   mutual.Pickup // sensitivity and gain in its turns
	center   vec3          // sensor frame
	axis     vec3          // unit
	basis    [2]vec3       // sensor-frame rotation per unit of each tilt parameter
	relative float64
	gain     float64
	phase    float64
	delay    float64
}

// bench is everything that the stations share, at the present parameters.
type bench struct {
	emitters []emitter
	coils    []coil
	drawn    []mutual.Coil
	frame    rigid.Pose
	markers  []rigid.Pose
	frameJl  mat3   // left Jacobian of the frame's rotation vector
	markerJl []mat3 // of each marker's
}

func newBench(p *Problem) *bench {
	b := &bench{}
	for i := range p.Emitters {
		b.emitters = append(b.emitters, emitter{omega: 2 * math.Pi * p.Emitters[i].Hz})
	}
	for s := range p.Sensors {
		for _, c := range p.Sensors[s].Coils {
			b.drawn = append(b.drawn, c.Coil)
			b.coils = append(b.coils, coil{})
		}
		b.markers = append(b.markers, rigid.Pose{})
	}
	b.markerJl = make([]mat3, len(p.Sensors))
	return b
}

// update moves the bench to the parameters x.
func (b *bench) update(p *Problem, l *layout, x []float64) {
	for i := range b.emitters {
		e, c := &b.emitters[i], &l.emitters[i]
		drawn := &p.Emitters[i]
		e.center, e.strength, e.nearby = fromR3(drawn.Center), 1, drawn.Nearby
		if c.place >= 0 {
			for k := range 3 {
				e.center[k] += x[c.place+k]
			}
		}
		if c.strength >= 0 {
			e.strength = math.Exp(x[c.strength])
		}
		t := c.axes(drawn.Axis)
		var w vec3
		if c.axis >= 0 {
			for k := range c.tilts {
				for j := range 3 {
					w[j] += x[c.axis+k] * t[k][j]
				}
			}
		}
		jl := rigid.LeftJacobian(toR3(w))
		for k := range t {
			e.basis[k] = apply(&jl, &t[k])
		}
		q := rigid.Exp(toR3(w))
		e.source = fieldmodels.Place(drawn.Source, rigid.Pose{
			Position: r3.Sub(toR3(e.center), rigid.Rotate(q, drawn.Center)),
			Rotation: q,
		})
	}
	i := 0
	for s := range p.Sensors {
		for range p.Sensors[s].Coils {
			b.updateCoil(i, &l.coils[i], &l.channels[l.coils[i].channel], x)
			i++
		}
	}
	b.frame, b.frameJl = moved(p.Frame, l.frame, x)
	for s := range p.Sensors {
		b.markers[s], b.markerJl[s] = moved(p.Sensors[s].Marker, l.markers[s], x)
	}
}

// axes are what an emitter is tilted about: two axes across its own, or those
// of the rig frame.
func (c *emitterColumns) axes(own r3.Vec) [3]vec3 {
	if c.tilts == 3 {
		return [3]vec3{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	}
	t1, t2 := across(fromR3(own))
	return [3]vec3{t1, t2}
}

func (b *bench) updateCoil(i int, l *coilColumns, ch *channelColumns, x []float64) {
	d, c := &b.drawn[i], &b.coils[i]
	c.center, c.relative, c.gain, c.phase, c.delay = fromR3(d.Center), 1, 1, 0, 0
	if l.place >= 0 {
		for k := range 3 {
			c.center[k] += x[l.place+k]
		}
	}
	if l.sensitivity >= 0 {
		c.relative = math.Exp(x[l.sensitivity])
	}
	if ch.gain >= 0 {
		c.gain = math.Exp(x[ch.gain])
	}
	if ch.phase >= 0 {
		c.phase = x[ch.phase]
	}
	if ch.delay >= 0 {
		c.delay = x[ch.delay]
	}
	t1, t2 := across(fromR3(d.Axis))
	var w vec3
	if l.axis >= 0 {
		for k := range 3 {
			w[k] = x[l.axis]*t1[k] + x[l.axis+1]*t2[k]
		}
	}
	jl := rigid.LeftJacobian(toR3(w))
	c.basis = [2]vec3{apply(&jl, &t1), apply(&jl, &t2)}
	axis := r3.Unit(rigid.Rotate(rigid.Exp(toR3(w)), d.Axis))
	c.axis = fromR3(axis)
	c.pickup = mutual.NewPickup(mutual.Coil{Center: toR3(c.center), Axis: axis, AreaTurns: d.AreaTurns * c.relative * c.gain, Radius: d.Radius})
}

// moved returns a nominal pose moved by the six parameters at column at, and
// the left Jacobian of their rotation vector.
func moved(nominal rigid.Pose, at int, x []float64) (rigid.Pose, mat3) {
	nominal.Rotation = unitQuat(nominal.Rotation)
	if at < 0 {
		return nominal, mat3{}
	}
	w := r3.Vec{X: x[at+3], Y: x[at+4], Z: x[at+5]}
	return nominal.Plus(r3.Vec{X: x[at], Y: x[at+1], Z: x[at+2]}, w), rigid.LeftJacobian(w)
}

// start returns the pose of a station's sensor that its reference tells.
func (p *Problem) start(station int) rigid.Pose {
	s := &p.Stations[station]
	f, m, r := p.Frame, p.Sensors[s.Sensor].Marker, s.Reference
	f.Rotation, m.Rotation, r.Rotation = unitQuat(f.Rotation), unitQuat(m.Rotation), unitQuat(r.Rotation)
	return f.Compose(r).Compose(m)
}

// couple returns the coupling of the emitter, and that of its own source alone,
// with the pickup. Without anything nearby both may be the same.
func (e *emitter) couple(all, own *mutual.Coupling, p *mutual.Placed) error {
	if err := p.CoupleFast(own, e.source); err != nil {
		return err
	}
	own.Scale(e.strength)
	if all != own {
		*all = *own
	}
	if e.nearby == nil {
		return nil
	}
	var more mutual.Coupling
	if err := p.CoupleFast(&more, e.nearby); err != nil {
		return err
	}
	more.Scale(e.strength)
	all.Add(&more)
	return nil
}
