package calibration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// column is one shared parameter: a deviation from the drawing. Factors are held
// as logarithms, so that a freedom between factors is a straight line.
type column struct {
	name  string
	unit  string // empty: dimensionless
	group Group
	owner int     // emitter, coil of all sensors, channel or sensor
	prior float64 // tolerance, 0: none
	size  float64 // tolerance that holds the parameter where nothing else does
}

// factor reports whether the column is the logarithm of a factor.
func (c *column) factor() bool {
	return c.group&(EmitterStrength|CoilSensitivity|ChannelGain) != 0
}

// change is what a column's value x changes its parameter by, and the slope of
// that.
func (c *column) change(x float64) (change, slope float64) {
	if c.factor() {
		return math.Expm1(x), math.Exp(x)
	}
	return x, 1
}

// Sizes of what the trade gets wrong when nobody has said how much, common
// practice. They scale the rank analysis, and hold gauge freedoms that no
// stated tolerance holds.
const (
	sizePosition  = 0.005 // [m]
	sizeAxis      = 0.05  // [rad]
	sizeRelative  = 0.1
	sizeDelay     = 1e-6 // [s]
	sizeCrosstalk = 1e-9 // [H]
)

// layout is where the parameters of each thing are among the columns; −1: not
// free.
type layout struct {
	columns   []column
	emitters  []emitterColumns
	coils     []coilColumns // of all sensors, one after another
	channels  []channelColumns
	first     []int // first coil of each sensor
	frame     int   // six columns: position, rotation
	markers   []int
	crosstalk int // e·coils + c
}

type emitterColumns struct {
	place, axis, strength int
	tilts                 int // 2 when a rotation about the axis changes nothing, else 3
}

type coilColumns struct{ axis, place, sensitivity, channel int }

type channelColumns struct{ gain, phase, delay int }

func newLayout(p *Problem, free Group) *layout {
	l := &layout{frame: -1, crosstalk: -1}
	for i := range p.Emitters {
		e := &p.Emitters[i]
		c := emitterColumns{tilts: 3}
		if p.axisymmetric(i) {
			c.tilts = 2
		}
		c.place = l.add(free, EmitterPosition, i, e.Tolerance.Position, sizePosition, "m", e.Name+" place", "x", "y", "z")
		tilts := []string{"about x", "about y", "about z"}
		if c.tilts == 2 {
			tilts = []string{"1", "2"}
		}
		c.axis = l.add(free, EmitterAxis, i, e.Tolerance.Axis, sizeAxis, "rad", e.Name+" tilt", tilts...)
		c.strength = l.add(free, EmitterStrength, i, e.Tolerance.Strength, sizeRelative, "", e.Name+" strength")
		l.emitters = append(l.emitters, c)
	}
	for s := range p.Sensors {
		l.first = append(l.first, len(l.coils))
		for k := range p.Sensors[s].Coils {
			c, name, i := &p.Sensors[s].Coils[k], p.coilName(s, k), len(l.coils)
			l.coils = append(l.coils, coilColumns{
				axis:        l.add(free, CoilAxis, i, c.Tolerance.Axis, sizeAxis, "rad", name+" tilt", "1", "2"),
				place:       l.add(free, CoilPosition, i, c.Tolerance.Position, sizePosition, "m", name+" place", "x", "y", "z"),
				sensitivity: l.add(free, CoilSensitivity, i, c.Tolerance.Sensitivity, sizeRelative, "", name+" sensitivity"),
				channel:     c.Channel,
			})
		}
	}
	for i, c := range p.Channels {
		l.channels = append(l.channels, channelColumns{
			gain:  l.add(free, ChannelGain, i, c.Tolerance.Gain, sizeRelative, "", c.Name+" gain"),
			phase: l.add(free, ChannelPhase, i, c.Tolerance.Phase, sizeRelative, "rad", c.Name+" phase"),
			delay: l.add(free, ChannelDelay, i, c.Tolerance.Delay, sizeDelay, "s", c.Name+" delay"),
		})
	}
	if len(p.Channels) == 0 {
		l.channels = []channelColumns{{-1, -1, -1}}
		for i := range l.coils {
			l.coils[i].channel = 0
		}
	}
	l.frame = l.motion(free, Frame, 0, p.FrameTolerance, "frame")
	for s := range p.Sensors {
		l.markers = append(l.markers, l.motion(free, Marker, s, p.Sensors[s].MarkerTolerance, p.Sensors[s].Name+" marker"))
	}
	for e := range p.Emitters {
		for s := range p.Sensors {
			for k := range p.Sensors[s].Coils {
				i := l.add(free, Crosstalk, e, p.CrosstalkTolerance, sizeCrosstalk, "H", p.Emitters[e].Name+" crosstalk to "+p.coilName(s, k))
				if l.crosstalk < 0 {
					l.crosstalk = i
				}
			}
		}
	}
	return l
}

// add appends the columns of one thing and returns the first, or −1 when the
// group is not free.
func (l *layout) add(free, group Group, owner int, prior, size float64, unit, name string, parts ...string) int {
	if free&group == 0 {
		return -1
	}
	at := len(l.columns)
	if len(parts) == 0 {
		parts = []string{""}
	}
	for _, part := range parts {
		full := name
		if part != "" {
			full += " " + part
		}
		l.columns = append(l.columns, column{full, unit, group, owner, prior, size})
	}
	return at
}

func (l *layout) motion(free, group Group, owner int, tol MotionTolerance, name string) int {
	at := l.add(free, group, owner, tol.Position, sizePosition, "m", name+" place", "x", "y", "z")
	l.add(free, group, owner, tol.Rotation, sizeAxis, "rad", name+" tilt", "about x", "about y", "about z")
	return at
}

// coilName is the coil's channel, or its number in the sensor.
func (p *Problem) coilName(sensor, coil int) string {
	s := &p.Sensors[sensor]
	if len(p.Channels) > 0 {
		return fmt.Sprintf("%s %s", s.Name, p.Channels[s.Coils[coil].Channel].Name)
	}
	return fmt.Sprintf("%s coil %d", s.Name, coil+1)
}

// axisymmetric reports whether a rotation of the emitter about its axis leaves its
// field as it is at the stations, to 1e-7 of itself per radian.
func (p *Problem) axisymmetric(emitter int) bool {
	e := &p.Emitters[emitter]
	step := max(1, len(p.Stations)/8)
	for i := 0; i < len(p.Stations); i += step {
		at := p.start(i).Position
		b, j, err := e.Source.Gradient(at)
		if err != nil {
			continue
		}
		// d/dφ of R(φ)·B(R(−φ)·ρ) = a×B − J·(a×ρ)
		turn := r3.Cross(e.Axis, r3.Sub(at, e.Center))
		if r3.Norm(r3.Sub(r3.Cross(e.Axis, b), rigid.MulVec((*[3][3]float64)(&j), turn))) > 1e-7*r3.Norm(b) {
			return false
		}
	}
	return true
}
