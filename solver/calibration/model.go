package calibration

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
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
	dipole   bool
	at       vec3 // of the dipole
	moment   vec3 // of the dipole, times strength times μ0/4π
}

// coil is one pickup moved by the present parameters.
type coil struct {
	center   vec3 // sensor frame
	axis     vec3 // times AreaTurns, sensitivity and gain
	basis    [2]vec3
	nodes    []node // arms from center
	relative float64
	gain     float64
	phase    float64
	delay    float64
}

// node is a field point of a pickup's disc.
type node struct {
	arm    vec3 // from the coil's centre
	weight float64
}

// bench is everything that the stations share, at the present parameters.
type bench struct {
	emitters []emitter
	coils    []coil
	drawn    []coil // with unit axes
	frame    rigid.Pose
	markers  []rigid.Pose
	frameJl  mat3   // left Jacobian of the frame's rotation vector
	markerJl []mat3 // of each marker's
}

func newBench(p *Problem) *bench {
	b, scale := &bench{}, p.fieldScale()
	for i := range p.Emitters {
		b.emitters = append(b.emitters, emitter{omega: 2 * math.Pi * p.Emitters[i].Hz})
	}
	for s := range p.Sensors {
		for _, c := range p.Sensors[s].Coils {
			d := coil{center: fromR3(c.Center), axis: fromR3(c.Axis), nodes: discNodes(c.Axis, c.Radius, scale)}
			b.drawn = append(b.drawn, d)
			d.nodes = append([]node(nil), d.nodes...)
			b.coils = append(b.coils, d)
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
		if d, ok := e.source.(*fieldmodels.PlacedDipole); ok {
			e.dipole, e.at = true, fromR3(d.Center)
			e.moment = fromR3(r3.Scale(e.strength*fieldmodels.Mu0/(4*math.Pi), d.Moment))
		}
	}
	i := 0
	for s := range p.Sensors {
		for k := range p.Sensors[s].Coils {
			b.updateCoil(i, &l.coils[i], &l.channels[l.coils[i].channel], p.Sensors[s].Coils[k].AreaTurns, x)
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

func (b *bench) updateCoil(i int, l *coilColumns, ch *channelColumns, area float64, x []float64) {
	d, c := &b.drawn[i], &b.coils[i]
	c.center, c.relative, c.gain, c.phase, c.delay = d.center, 1, 1, 0, 0
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
	t1, t2 := across(d.axis)
	var w vec3
	if l.axis >= 0 {
		for k := range 3 {
			w[k] = x[l.axis]*t1[k] + x[l.axis+1]*t2[k]
		}
	}
	jl, turn := rigid.LeftJacobian(toR3(w)), rigid.Matrix(rigid.Exp(toR3(w)))
	c.basis = [2]vec3{apply(&jl, &t1), apply(&jl, &t2)}
	c.axis = apply(&turn, &d.axis)
	for k := range 3 {
		c.axis[k] *= area * c.relative * c.gain
	}
	for k := range c.nodes {
		c.nodes[k].arm = apply(&turn, &d.nodes[k].arm)
	}
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

// couple is the coupling m [H] of one emitter and coil, with its gradient by the
// place of the sensor and its derivative by a turn about the sensor's origin,
// both in the rig frame. All other derivatives follow from these seven
// numbers: moving an emitter is moving the sensor backwards.
type couple struct {
	m       float64
	g, turn vec3
}

// pickup is a coil carried to the rig frame at one station.
type pickup struct {
	n     vec3 // axis times AreaTurns and gains
	arm   vec3 // from the sensor's origin to the coil's centre
	nodes []node
	basis [2]vec3
}

// couple returns the coupling of e with the pickup c of a sensor at p.
func (e *emitter) couple(out *couple, p *vec3, c *pickup) error {
	if e.dipole && len(c.nodes) == 1 {
		e.coupleDipole(out, p, &c.arm, &c.n)
		return nil
	}
	*out = couple{}
	return e.add(out, e.source, p, c)
}

// add adds the coupling of a source of the emitter's strength.
func (e *emitter) add(out *couple, source fieldmodels.Source, p *vec3, c *pickup) error {
	for k := range c.nodes {
		nd := &c.nodes[k]
		arm := add(&c.arm, &nd.arm)
		at := add(p, &arm)
		rb, rj, err := source.Gradient(toR3(at))
		if err != nil {
			return err
		}
		b, jac := fromR3(rb), mat3(rj)
		g := applyTransposed(&jac, &c.n)
		nb, ag := cross(&c.n, &b), cross(&arm, &g)
		w := nd.weight * e.strength
		out.m += w * dot(&c.n, &b)
		for i := range 3 {
			out.g[i] += w * g[i]
			out.turn[i] += w * (nb[i] + ag[i])
		}
	}
	return nil
}

// coupleDipole is couple for a point source and a point pickup:
//
//	m = (3(m·r)(n·r)/r² − m·n)/r³
//	∇m = 3/r⁵·[(n·r)m + (m·r)n + (m·n)r − 5(m·r)(n·r)/r²·r]
func (e *emitter) coupleDipole(out *couple, p, arm, n *vec3) {
	x, y, z := p[0]+arm[0]-e.at[0], p[1]+arm[1]-e.at[1], p[2]+arm[2]-e.at[2]
	mx, my, mz := e.moment[0], e.moment[1], e.moment[2]
	nx, ny, nz := n[0], n[1], n[2]
	i2 := 1 / (x*x + y*y + z*z)
	i3 := i2 * math.Sqrt(i2)
	mr := mx*x + my*y + mz*z
	nr := nx*x + ny*y + nz*z
	mn := mx*nx + my*ny + mz*nz
	k := 3 * mr * i2
	bx, by, bz := i3*(k*x-mx), i3*(k*y-my), i3*(k*z-mz)
	k5 := 3 * i3 * i2
	q := mn - 5*mr*nr*i2
	gx := k5 * (nr*mx + mr*nx + q*x)
	gy := k5 * (nr*my + mr*ny + q*y)
	gz := k5 * (nr*mz + mr*nz + q*z)
	out.m = nx*bx + ny*by + nz*bz
	out.g = vec3{gx, gy, gz}
	out.turn = vec3{
		ny*bz - nz*by + arm[1]*gz - arm[2]*gy,
		nz*bx - nx*bz + arm[2]*gx - arm[0]*gz,
		nx*by - ny*bx + arm[0]*gy - arm[1]*gx,
	}
}
