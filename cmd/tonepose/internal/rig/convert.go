package rig

import (
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Array gives the emitters as sources of field, in the file's order, with the
// covariance and the correction of a calibration, which it reads from their
// files, and with the tolerances of currents that nothing measures: a current and
// the strength of its emitter act alike. A wrong file is an *Error.
func (r *Rig) Array() (fieldmodels.Array, error) {
	a := fieldmodels.Array{Emitters: r.Drawn()}
	metal, err := r.Correction()
	if err != nil {
		return a, err
	}
	if metal != nil {
		for i := range a.Emitters {
			a.Emitters[i].Source = fieldmodels.Sum{a.Emitters[i].Source, metal.Source(i)}
		}
	}
	cov, err := r.covariance()
	if err != nil {
		return a, err
	}
	if cov != nil {
		var names []string
		for i := range r.Emitters {
			p := EmitterParameters(r.Emitters[i].Name)
			names = append(names, p[:]...)
		}
		a.Covariance = cov.pick(names)
	}
	for i, e := range r.Emitters {
		if e.Reference != nil || e.Tolerance.Current == 0 {
			continue
		}
		if a.Covariance == nil {
			a.Covariance = mat.NewSymDense(fieldmodels.ParametersPerEmitter*len(r.Emitters), nil)
		}
		strength := fieldmodels.ParametersPerEmitter*(i+1) - 1
		a.Covariance.SetSym(strength, strength, a.Covariance.At(strength, strength)+e.Tolerance.Current*e.Tolerance.Current)
	}
	return a, nil
}

// Drawn gives the emitters as their models state them, and reads no other file.
//
// An emitter's Center is its model's center_m; of a polyline the mean of its
// points, of a sum the mean of its parts' centres. Its Axis is that of its
// dipole moment, or +Z when the moment vanishes.
func (r *Rig) Drawn() []fieldmodels.Emitter {
	out := make([]fieldmodels.Emitter, len(r.Emitters))
	for i := range r.Emitters {
		e := &r.Emitters[i]
		out[i] = fieldmodels.Emitter{
			Name:   e.Name,
			Source: e.Model.source(),
			Center: e.Model.center(),
			Axis:   e.Model.direction(),
		}
	}
	return out
}

// SensorCovariance gives the covariance of the coils of sensor i for the solver,
// which it reads from the calibration's file; nil when that says nothing of
// them. A wrong file is an *Error.
func (r *Rig) SensorCovariance(i int) (*mat.SymDense, error) {
	cov, err := r.covariance()
	if err != nil || cov == nil {
		return nil, err
	}
	var names []string
	for _, c := range r.Sensors[i].Coils {
		p := CoilParameters(r.Sensors[i].Name, r.Channels[c.Channel].Name)
		names = append(names, p[:]...)
	}
	if !slices.ContainsFunc(names, func(n string) bool { return slices.Contains(cov.names, n) }) {
		return nil, nil
	}
	return cov.pick(names), nil
}

// pick is the covariance of the given parameters; those it does not name are
// exact.
func (c *covariance) pick(names []string) *mat.SymDense {
	row := map[string]int{}
	for i, name := range c.names {
		row[name] = i
	}
	out := mat.NewSymDense(len(names), nil)
	for i, a := range names {
		for j, b := range names[:i+1] {
			p, known := row[a]
			q, too := row[b]
			if known && too {
				out.SetSym(i, j, c.sym.At(p, q))
			}
		}
	}
	return out
}

// Sensor gives sensor i for the solver, axes of unit length.
func (r *Rig) Sensor(i int) mutual.Sensor {
	s := &r.Sensors[i]
	out := mutual.Sensor{Name: s.Name, Coils: make([]mutual.Coil, len(s.Coils))}
	for k := range s.Coils {
		c := &s.Coils[k]
		out.Coils[k] = mutual.Coil{Center: c.CenterM, Axis: unit3(c.Axis), AreaTurns: c.AreaTurnsM2, Radius: c.RadiusM}
	}
	return out
}

// Volume gives the box in which a sensor can be.
func (r *Rig) Volume() solver.Volume {
	return solver.Volume{Min: r.WorkingVolume.Min, Max: r.WorkingVolume.Max}
}

// source is the model's field in the rig frame.
func (m *Model) source() fieldmodels.Source {
	switch m.Type {
	case "dipole":
		return fieldmodels.Place(fieldmodels.Dipole{Moment: m.MomentM2}, rigid.Pose{Position: m.CenterM, Rotation: quat.Number{Real: 1}})
	case "loop":
		return fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: m.RadiusM, Turns: m.Turns}, m.CenterM, unit3(m.Axis))
	case "winding":
		return fieldmodels.PlaceAxis(fieldmodels.Winding{InnerRadius: m.InnerRadiusM, OuterRadius: m.OuterRadiusM,
			Length: m.LengthM, Turns: m.Turns}, m.CenterM, unit3(m.Axis))
	case "sheet":
		return fieldmodels.PlaceAxis(fieldmodels.Sheet{Radius: m.RadiusM, Length: m.LengthM, Turns: m.Turns}, m.CenterM, unit3(m.Axis))
	case "rectangle":
		return fieldmodels.Place(fieldmodels.Rectangle{Width: m.WidthM, Height: m.HeightM, Turns: m.Turns},
			rigid.Pose{Position: m.CenterM, Rotation: frame(m.Axis, m.WidthAxis)})
	case "polyline":
		return fieldmodels.Polyline{Points: m.PointsM, Closed: m.Closed, Turns: m.Turns}
	}
	sum := make(fieldmodels.Sum, len(m.Parts))
	for i := range m.Parts {
		sum[i] = m.Parts[i].source()
	}
	return sum
}

// frame is the rotation that carries Z along axis and X along the part of
// across that is perpendicular to axis.
func frame(axis, across r3.Vec) quat.Number {
	z := unit3(axis)
	x := unit3(across)
	x = r3.Unit(r3.Sub(x, r3.Scale(r3.Dot(x, z), z)))
	y := r3.Cross(z, x)
	return rigid.FromMatrix([3][3]float64{{x.X, y.X, z.X}, {x.Y, y.Y, z.Y}, {x.Z, y.Z, z.Z}})
}
