package calibration

import (
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// direction collects a move of the parameters; parts that are not free are
// left out.
type direction []float64

func (d direction) add(column int, v float64) {
	if column >= 0 {
		d[column] += v
	}
}

// candidates lists the freedoms that a bench of this kind can have, at the
// present parameters, with Direction in plain units.
func (f *fit) candidates() []Gauge {
	var out []Gauge
	offer := func(words string, fill func(d direction)) {
		d := make(direction, f.normal.n)
		fill(d)
		out = append(out, Gauge{Words: words, Direction: d})
	}
	free := f.options.Free
	for i := range f.layout.columns {
		if f.normal.a[i*f.normal.n+i] == 0 {
			offer(f.layout.columns[i].name+" alone: nothing measured depends on it", func(d direction) { d[i] = 1 })
		}
	}
	strengths := func(d direction, factor float64) {
		for i := range f.bench.emitters {
			d.add(f.layout.emitters[i].strength, factor)
		}
	}
	if free&EmitterStrength != 0 && free&CoilSensitivity != 0 {
		offer("all strengths against all sensitivities", func(d direction) {
			strengths(d, 1)
			for i := range f.bench.coils {
				d.add(f.layout.coils[i].sensitivity, -1)
			}
		})
	}
	if free&EmitterStrength != 0 && free&ChannelGain != 0 {
		offer("all strengths against all gains", func(d direction) {
			strengths(d, 1)
			f.gains(d, -1, -1)
		})
	}
	for h, ch := range f.layout.channels {
		if ch.gain >= 0 && free&CoilSensitivity != 0 {
			offer("gain of "+f.problem.Channels[h].Name+" against the sensitivity of its coils", func(d direction) {
				f.gains(d, h, 1)
				for _, c := range f.layout.coils {
					if c.channel == h {
						d.add(c.sensitivity, -1)
					}
				}
			})
		}
		if ch.phase >= 0 && ch.delay >= 0 {
			offer("phase of "+f.problem.Channels[h].Name+" against its delay", func(d direction) {
				omega := 0.0
				for i := range f.bench.emitters {
					omega += f.bench.emitters[i].omega / float64(len(f.bench.emitters))
				}
				d.add(ch.phase, omega)
				d.add(ch.delay, 1)
			})
		}
	}
	emitters := f.emitterParts()
	if free&(EmitterPosition|EmitterAxis) != 0 {
		together := " of all emitters and stations together"
		if free&Frame != 0 {
			together = " of all emitters against the reference frame"
		}
		still := func(axis r3.Vec) r3.Vec { return axis }
		f.motions(offer, together, emitters, f.layout.frame, f.bench.frame.Position, still)
		if free&EmitterStrength != 0 {
			offer("scale of all lengths against all strengths", func(d direction) {
				strengths(d, 3)
				for _, p := range emitters {
					d.addVec(p.place, p.center)
				}
				for s := range f.problem.Sensors {
					for _, p := range f.coilParts(s) {
						d.addVec(p.place, p.center)
					}
				}
			})
		}
	}
	for s := range f.problem.Sensors {
		if free&(CoilPosition|CoilAxis) == 0 {
			break
		}
		words, at := " of all coils of "+f.problem.Sensors[s].Name, f.layout.markers[s]
		if at >= 0 {
			words += " against its marker"
		}
		r := rigid.Matrix(f.bench.markers[s].Rotation)
		back := func(axis r3.Vec) r3.Vec { return r3.Scale(-1, rigid.MulVec(&r, axis)) }
		f.motions(offer, words, f.coilParts(s), at, r3.Vec{}, back)
	}
	return out
}

// gains adds the gain of channel h, or of all for −1.
func (f *fit) gains(d direction, h int, factor float64) {
	seen := map[int]bool{}
	for _, c := range f.layout.coils {
		if (h < 0 || c.channel == h) && !seen[c.channel] {
			seen[c.channel] = true
			d.add(f.layout.channels[c.channel].gain, factor)
		}
	}
}

func (d direction) addVec(at int, v r3.Vec) {
	if at >= 0 {
		d[at] += v.X
		d[at+1] += v.Y
		d[at+2] += v.Z
	}
}

var axisNames = [3]string{"x", "y", "z"}

// motions are shifts and rotations of all parts of the array or of a sensor along
// and about the axes of their frame. The reference frame or the marker, at column
// at, moves along when it is free: outer gives its axis, arm its origin.
func (f *fit) motions(offer func(string, func(direction)), words string, parts []part, at int, arm r3.Vec, outer func(r3.Vec) r3.Vec) {
	for k, name := range axisNames {
		axis := axes[k]
		offer("shift along "+name+words, func(d direction) {
			for _, p := range parts {
				d.addVec(p.place, axis)
			}
			d.addVec(at, outer(axis))
		})
	}
	for k, name := range axisNames {
		axis := axes[k]
		offer("rotation about "+name+words, func(d direction) {
			for _, p := range parts {
				d.addVec(p.place, r3.Cross(axis, p.center))
				if p.axis >= 0 {
					for t, b := range p.basis {
						d[p.axis+t] += r3.Dot(b, axis) / r3.Norm2(b)
					}
				}
			}
			if at >= 0 {
				d.addVec(at, r3.Cross(outer(axis), arm))
				d.addVec(at+3, f.unturned(at+3, outer(axis)))
			}
		})
	}
}

// unturned carries a small left rotation to the rotation vector held at a
// column: Jl⁻¹·δ.
func (f *fit) unturned(at int, delta r3.Vec) r3.Vec {
	inv := rigid.LeftJacobianInverse(vecAt(f.x, at))
	return rigid.MulVec(&inv, delta)
}
