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
	center   r3.Vec             // moved
	strength float64
	omega    float64
	basis    [3]r3.Vec // rig-frame rotation per unit of each tilt parameter
}

// coil is one pickup moved by the present parameters.
type coil struct {
	pickup   mutual.Pickup // sensitivity and gain in its turns
	center   r3.Vec        // sensor frame
	axis     r3.Vec        // unit
	basis    [2]r3.Vec     // sensor-frame rotation per unit of each tilt parameter
	relative float64
	ChannelMove
}

// bench is everything that the stations share, at the present parameters.
type bench struct {
	emitters []emitter
	coils    []coil
	drawn    []mutual.Coil
	frame    rigid.Pose
	markers  []rigid.Pose
	frameJl  [3][3]float64   // left Jacobian of the frame's rotation vector
	markerJl [][3][3]float64 // of each marker's
}

func newBench(p *Problem) *bench {
	b := &bench{}
	for i := range p.Emitters {
		b.emitters = append(b.emitters, emitter{omega: 2 * math.Pi * p.Emitters[i].Hz})
	}
	for s := range p.Sensors {
		b.drawn = append(b.drawn, p.Sensors[s].drawn().Coils...)
		b.markers = append(b.markers, rigid.Pose{})
	}
	b.coils = make([]coil, len(b.drawn))
	b.markerJl = make([][3][3]float64, len(p.Sensors))
	return b
}

// update moves the bench to the parameters x.
func (b *bench) update(p *Problem, l *layout, x []float64) {
	for i := range b.emitters {
		e, c := &b.emitters[i], &l.emitters[i]
		drawn := &p.Emitters[i]
		e.center, e.strength, e.nearby = r3.Add(drawn.Center, vecAt(x, c.place)), factorAt(x, c.strength), drawn.Nearby
		t := c.axes(drawn.Axis)
		w := c.tilt(&t, x)
		jl := rigid.LeftJacobian(w)
		for k := range t {
			e.basis[k] = rigid.MulVec(&jl, t[k])
		}
		q := rigid.Exp(w)
		e.source = fieldmodels.Place(drawn.Source, rigid.Pose{
			Position: r3.Sub(e.center, rigid.Rotate(q, drawn.Center)),
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
func (c *emitterColumns) axes(own r3.Vec) [3]r3.Vec {
	if c.tilts == 3 {
		return axes
	}
	t1, t2 := rigid.Across(own)
	return [3]r3.Vec{t1, t2}
}

// tilt is the emitter's rotation vector about these axes.
func (c *emitterColumns) tilt(about *[3]r3.Vec, x []float64) (w r3.Vec) {
	if c.axis >= 0 {
		for k := range c.tilts {
			w = r3.Add(w, r3.Scale(x[c.axis+k], about[k]))
		}
	}
	return w
}

// vecAt is the vector in the three columns from at on; −1: zero.
func vecAt(x []float64, at int) r3.Vec {
	if at < 0 {
		return r3.Vec{}
	}
	return r3.Vec{X: x[at], Y: x[at+1], Z: x[at+2]}
}

// valueAt is the number in a column; −1: zero.
func valueAt(x []float64, at int) float64 {
	if at < 0 {
		return 0
	}
	return x[at]
}

// factorAt is the factor whose logarithm is in a column; −1: one.
func factorAt(x []float64, at int) float64 { return math.Exp(valueAt(x, at)) }

func (c *channelColumns) move(x []float64) ChannelMove {
	return ChannelMove{Gain: factorAt(x, c.gain), Phase: valueAt(x, c.phase), Delay: valueAt(x, c.delay)}
}

func (b *bench) updateCoil(i int, l *coilColumns, ch *channelColumns, x []float64) {
	d, c := &b.drawn[i], &b.coils[i]
	c.center, c.relative, c.ChannelMove = r3.Add(d.Center, vecAt(x, l.place)), factorAt(x, l.sensitivity), ch.move(x)
	t1, t2 := rigid.Across(d.Axis)
	var w r3.Vec
	if l.axis >= 0 {
		w = r3.Add(r3.Scale(x[l.axis], t1), r3.Scale(x[l.axis+1], t2))
	}
	jl := rigid.LeftJacobian(w)
	c.basis = [2]r3.Vec{rigid.MulVec(&jl, t1), rigid.MulVec(&jl, t2)}
	c.axis = r3.Unit(rigid.Rotate(rigid.Exp(w), d.Axis))
	c.pickup = mutual.NewPickup(mutual.Coil{Center: c.center, Axis: c.axis, AreaTurns: d.AreaTurns * c.relative * c.Gain, Radius: d.Radius})
}

// moved returns a nominal pose moved by the six parameters at column at, and
// the left Jacobian of their rotation vector.
func moved(nominal rigid.Pose, at int, x []float64) (rigid.Pose, [3][3]float64) {
	nominal.Rotation = rigid.Normalize(nominal.Rotation)
	if at < 0 {
		return nominal, [3][3]float64{}
	}
	w := vecAt(x, at+3)
	return nominal.Plus(vecAt(x, at), w), rigid.LeftJacobian(w)
}

// start returns the pose of a station's sensor that its reference gives.
func (p *Problem) start(station int) rigid.Pose {
	s := &p.Stations[station]
	f, m, r := p.Frame, p.Sensors[s.Sensor].Marker, s.Reference
	f.Rotation, m.Rotation, r.Rotation = rigid.Normalize(f.Rotation), rigid.Normalize(m.Rotation), rigid.Normalize(r.Rotation)
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
