package rig

import (
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// MoveEmitter changes the model of emitter i as a calibration does: tilts it by
// the rotation vector tilt [rad] about its centre (Emitter.Center of
// Rig.Array), shifts it by shift [m], both in the rig frame, and multiplies its
// turns, or its moment, by strength. What stays the same keeps its text.
func (e *Edit) MoveEmitter(i int, shift, tilt r3.Vec, strength float64) {
	m := &e.rig.Emitters[i].Model
	e.move(m, index("emitters", i)+".model", motion{m.center(), rigid.Exp(tilt), shift, strength})
}

type motion struct {
	pivot    r3.Vec
	rotation quat.Number
	shift    r3.Vec
	strength float64
}

func (mo motion) point(p r3.Vec) r3.Vec {
	if mo.rotation != (quat.Number{Real: 1}) { // which would leave roundings
		p = r3.Add(mo.pivot, rigid.Rotate(mo.rotation, r3.Sub(p, mo.pivot)))
	}
	return r3.Add(p, mo.shift)
}

func (e *Edit) move(m *Model, path string, mo motion) {
	switch m.Type {
	case "sum":
		for i := range m.Parts {
			e.move(&m.Parts[i], index(path+".parts", i), mo)
		}
		return
	case "polyline":
		for i, p := range m.PointsM {
			e.SetVector(index(path+".points_m", i), mo.point(p))
		}
	default:
		e.SetVector(path+".center_m", mo.point(m.CenterM))
	}
	if m.Type == "dipole" {
		e.SetVector(path+".moment_m2", r3.Scale(mo.strength, rigid.Rotate(mo.rotation, m.MomentM2)))
		return
	}
	if m.Type != "polyline" {
		e.SetVector(path+".axis", rigid.Rotate(mo.rotation, m.Axis))
	}
	if m.Type == "rectangle" {
		e.SetVector(path+".width_axis", rigid.Rotate(mo.rotation, m.WidthAxis))
	}
	e.SetNumber(path+".turns", m.Turns*mo.strength)
}
