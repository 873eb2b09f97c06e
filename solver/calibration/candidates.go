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
	put := func(words string, fill func(d direction)) {
		d := make(direction, f.normal.n)
		fill(d)
		out = append(out, Gauge{Words: words, Direction: d})
	}
	free := f.options.Free
	for i := range f.layout.columns {
		if f.normal.a[i*f.normal.n+i] == 0 {
			put(f.layout.columns[i].name+" alone: nothing measured depends on it", func(d direction) { d[i] = 1 })
		}
	}
	strengths := func(d direction, factor float64) {
		for i := range f.bench.emitters {
			d.add(f.layout.emitters[i].strength, factor)
		}
	}
	if free&EmitterStrength != 0 && free&CoilSensitivity != 0 {
		put("all strengths against all sensitivities", func(d direction) {
			strengths(d, 1)
			for i := range f.bench.coils {
				d.add(f.layout.coils[i].sensitivity, -1)
			}
		})
	}
	if free&EmitterStrength != 0 && free&ChannelGain != 0 {
		put("all strengths against all gains", func(d direction) {
			strengths(d, 1)
			f.gains(d, -1, -1)
		})
	}
	for h, ch := range f.layout.channels {
		if ch.gain >= 0 && free&CoilSensitivity != 0 {
			put("gain of "+f.problem.Channels[h].Name+" against the sensitivity of its coils", func(d direction) {
				f.gains(d, h, 1)
				for _, c := range f.layout.coils {
					if c.channel == h {
						d.add(c.sensitivity, -1)
					}
				}
			})
		}
		if ch.phase >= 0 && ch.delay >= 0 {
			put("phase of "+f.problem.Channels[h].Name+" against its delay", func(d direction) {
				omega := 0.0
				for i := range f.bench.emitters {
					omega += f.bench.emitters[i].omega / float64(len(f.bench.emitters))
				}
				d.add(ch.phase, omega)
				d.add(ch.delay, 1)
			})
		}
	}
	together, with := " of all emitters and stations together", false
	if free&Frame != 0 {
		together, with = " of all emitters against the reference frame", true
	}
	if free&(EmitterPlace|EmitterAxis) != 0 {
		f.emitterMotions(put, together, with)
		if free&EmitterStrength != 0 {
			put("scale of all lengths against all strengths", func(d direction) {
				strengths(d, 3)
				for i := range f.bench.emitters {
					d.addVec(f.layout.emitters[i].place, f.bench.emitters[i].center)
				}
				for i := range f.bench.coils {
					d.addVec(f.layout.coils[i].place, f.bench.coils[i].center)
				}
			})
		}
	}
	for s := range f.problem.Sensors {
		if free&(CoilPlace|CoilAxis) != 0 {
			f.sensorMotions(put, s)
		}
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

// emitterMotions are shifts and turns of the whole array in the rig frame, with
// the reference frame when it is free.
func (f *fit) emitterMotions(put func(string, func(direction)), words string, frame bool) {
	for k, name := range axisNames {
		axis := axes[k]
		put("shift along "+name+words, func(d direction) {
			for i := range f.layout.emitters {
				d.addVec(f.layout.emitters[i].place, axis)
			}
			if frame {
				d.addVec(f.layout.frame, axis)
			}
		})
	}
	for k, name := range axisNames {
		axis := axes[k]
		put("turn about "+name+words, func(d direction) {
			for i := range f.layout.emitters {
				e, c := &f.bench.emitters[i], &f.layout.emitters[i]
				d.addVec(c.place, r3.Cross(axis, e.center))
				if c.axis >= 0 {
					for t := range c.tilts {
						d[c.axis+t] += r3.Dot(e.basis[t], axis) / r3.Norm2(e.basis[t])
					}
				}
			}
			if frame && f.layout.frame >= 0 {
				d.addVec(f.layout.frame, r3.Cross(axis, f.bench.frame.Position))
				d.addVec(f.layout.frame+3, f.unturned(f.layout.frame+3, axis))
			}
		})
	}
}

// sensorMotions are shifts and turns of all coils of a sensor, in its frame, with
// the marker when it is free.
func (f *fit) sensorMotions(put func(string, func(direction)), s int) {
	words := " of all coils of " + f.problem.Sensors[s].Name
	at := f.layout.markers[s]
	if at >= 0 {
		words += " against its marker"
	}
	first, count := f.layout.first[s], len(f.problem.Sensors[s].Coils)
	turn := rigid.Matrix(f.bench.markers[s].Rotation)
	for k, name := range axisNames {
		axis := axes[k]
		back := r3.Scale(-1, rigid.MulVec(&turn, axis))
		put("shift along "+name+words, func(d direction) {
			for i := first; i < first+count; i++ {
				d.addVec(f.layout.coils[i].place, axis)
			}
			d.addVec(at, back)
		})
		put("turn about "+name+words, func(d direction) {
			for i := first; i < first+count; i++ {
				c, l := &f.bench.coils[i], &f.layout.coils[i]
				d.addVec(l.place, r3.Cross(axis, c.center))
				if l.axis >= 0 {
					for t := range 2 {
						d[l.axis+t] += r3.Dot(c.basis[t], axis) / r3.Norm2(c.basis[t])
					}
				}
			}
			if at >= 0 {
				d.addVec(at+3, f.unturned(at+3, back))
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
