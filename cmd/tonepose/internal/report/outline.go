package report

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/rigid"
)

// Emitters gives a rig's emitters the outlines that figures draw. It needs
// nothing but the rig's text: a table carries no covariance file.
func Emitters(r *rig.Rig) []figure.Emitter {
	var out []figure.Emitter
	for i, placed := range r.Drawn() {
		e := &r.Emitters[i]
		out = append(out, figure.Emitter{Name: e.Name, Outline: outline(&e.Model), Center: placed.Center, Axis: placed.Axis})
	}
	return out
}

// outline is a closed line along a coil's mean turn [m, rig frame]; empty for
// a dipole.
func outline(m *rig.Model) []r3.Vec {
	switch m.Type {
	case "loop", "sheet":
		return circle(m.CenterM, m.Axis, m.RadiusM)
	case "winding":
		return circle(m.CenterM, m.Axis, (m.InnerRadiusM+m.OuterRadiusM)/2)
	case "rectangle":
		z := r3.Unit(m.Axis)
		x := r3.Unit(r3.Sub(m.WidthAxis, r3.Scale(r3.Dot(m.WidthAxis, z), z)))
		y := r3.Cross(z, x)
		var corners []r3.Vec
		for _, s := range [][2]float64{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}, {-1, -1}} {
			corners = append(corners, r3.Add(m.CenterM, r3.Add(r3.Scale(s[0]*m.WidthM/2, x), r3.Scale(s[1]*m.HeightM/2, y))))
		}
		return corners
	case "polyline":
		return append(append([]r3.Vec{}, m.PointsM...), m.PointsM[0])
	case "sum":
		if len(m.Parts) > 0 {
			return outline(&m.Parts[0])
		}
	}
	return nil
}

func circle(center, axis r3.Vec, radius float64) []r3.Vec {
	const points = 48
	q := rigid.Between(r3.Vec{Z: 1}, r3.Unit(axis))
	var out []r3.Vec
	for i := range points + 1 {
		s, c := math.Sincos(2 * math.Pi * float64(i) / points)
		out = append(out, r3.Add(center, rigid.Rotate(q, r3.Vec{X: radius * c, Y: radius * s})))
	}
	return out
}
