package rig

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// center is the point [m] about which a calibration tilts the model: its
// centre_m; of a polyline the mean of its points, of a sum the mean of its
// parts' centres.
func (m *Model) center() r3.Vec {
	points := m.PointsM
	for i := range m.Parts {
		points = append(points, m.Parts[i].center())
	}
	if len(points) == 0 {
		return m.CenterM
	}
	var sum r3.Vec
	for _, p := range points {
		sum = r3.Add(sum, p)
	}
	return r3.Scale(1/float64(len(points)), sum)
}

// Moment is turns times area vector [m²]: the model's dipole moment per ampere.
// An open polyline is closed by its chord.
func (m *Model) Moment() r3.Vec {
	area := 0.0
	switch m.Type {
	case "dipole":
		return m.MomentM2
	case "loop", "sheet":
		area = math.Pi * m.RadiusM * m.RadiusM
	case "winding":
		// The mean of πr² between the radii.
		a, b := m.InnerRadiusM, m.OuterRadiusM
		area = math.Pi / 3 * (a*a + a*b + b*b)
	case "rectangle":
		area = m.WidthM * m.HeightM
	case "polyline":
		var v r3.Vec
		for i := 1; i+1 < len(m.PointsM); i++ {
			v = r3.Add(v, r3.Cross(r3.Sub(m.PointsM[i], m.PointsM[0]), r3.Sub(m.PointsM[i+1], m.PointsM[0])))
		}
		return r3.Scale(m.Turns/2, v)
	case "sum":
		var v r3.Vec
		for i := range m.Parts {
			v = r3.Add(v, m.Parts[i].Moment())
		}
		return v
	}
	return r3.Scale(m.Turns*area, unit3(m.Axis))
}

// direction is the unit axis of the model: that of its moment, or +Z when the
// moment vanishes, as in a balanced pair.
func (m *Model) direction() r3.Vec {
	v := m.Moment()
	if v == (r3.Vec{}) {
		return r3.Vec{Z: 1}
	}
	return unit3(v)
}

// unit3 scales a vector to length one, whatever its magnitude.
func unit3(v r3.Vec) r3.Vec {
	m := max(math.Abs(v.X), math.Abs(v.Y), math.Abs(v.Z))
	if m == 0 {
		return v
	}
	return r3.Unit(r3.Vec{X: v.X / m, Y: v.Y / m, Z: v.Z / m})
}
