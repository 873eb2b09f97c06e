package rig

import (
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/yamltree"
)

// Model describes the coil of an emitter, or one part of it, in the rig frame.
// Which fields count depends on Type; lengths in metres.
type Model struct {
	Type         string   `rig:"type"`                    // dipole, loop, winding, sheet, polyline, rectangle, sum
	CenterM      r3.Vec   `rig:"center_m"`                // all but polyline and sum
	Axis         r3.Vec   `rig:"axis,direction"`          // loop, winding, sheet, rectangle; as in the file, not necessarily unit
	WidthAxis    r3.Vec   `rig:"width_axis,direction"`    // rectangle; only its part perpendicular to Axis counts
	MomentM2     r3.Vec   `rig:"moment_m2,direction"`     // dipole: turns × area vector
	RadiusM      float64  `rig:"radius_m,positive"`       // loop, sheet
	InnerRadiusM float64  `rig:"inner_radius_m,positive"` // winding
	OuterRadiusM float64  `rig:"outer_radius_m,positive"` // winding
	LengthM      float64  `rig:"length_m,positive"`       // winding, sheet
	WidthM       float64  `rig:"width_m,positive"`        // rectangle, along WidthAxis
	HeightM      float64  `rig:"height_m,positive"`       // rectangle
	Turns        float64  `rig:"turns,positive"`          // all but dipole and sum
	PointsM      []r3.Vec `rig:"points_m"`                // polyline
	Closed       bool     `rig:"closed,optional"`         // polyline
	Parts        []Model  `rig:"parts"`                   // sum
}

var modelTypes = []string{"dipole", "loop", "winding", "sheet", "polyline", "rectangle", "sum"}

const (
	// maxParts bounds what aliases can multiply a small file into.
	maxParts = 10000
	// maxDepth bounds sums of sums.
	maxDepth = 8
)

var modelKeys = map[string][]string{
	"dipole":    {"type", "center_m", "moment_m2"},
	"loop":      {"type", "center_m", "axis", "radius_m", "turns"},
	"winding":   {"type", "center_m", "axis", "inner_radius_m", "outer_radius_m", "length_m", "turns"},
	"sheet":     {"type", "center_m", "axis", "radius_m", "length_m", "turns"},
	"polyline":  {"type", "points_m", "closed", "turns"},
	"rectangle": {"type", "center_m", "axis", "width_axis", "width_m", "height_m", "turns"},
	"sum":       {"type", "parts"},
}

func (m *Model) read(v value) {
	r := v.r
	if v.n.Kind != yamltree.Mapping {
		v.fail(keyHint("model"), "must be a mapping")
		return
	}
	if r.models++; r.models > maxParts {
		if r.models == maxParts+1 {
			r.fail(v.n.At, v.path, "", "", "the models have more than %d parts", maxParts)
		}
		return
	}
	kind := value{r, v.n.Get("type"), v.path + ".type", "type"}
	if kind.n == nil {
		r.fail(v.n.At, kind.path, "", keyHint("type"), "is missing")
		return
	}
	if m.Type = kind.text(); m.Type == "" {
		return
	}
	keys, ok := modelKeys[m.Type]
	if !ok {
		hint := keyHint("type")
		if i := slices.IndexFunc(modelTypes, func(t string) bool { return distance(strings.ToLower(m.Type), t) < 2 }); i >= 0 {
			hint = "did you mean " + modelTypes[i] + "?"
		}
		kind.fail(hint, "is not a model type")
		return
	}
	if m.Type == "sum" && r.depth >= maxDepth {
		r.fail(v.n.At, v.path, "", "", "sums nest deeper than %d", maxDepth)
		return
	}
	m.Closed = m.Type == "polyline"
	r.depth++
	o := r.fields(v, m, keys)
	r.depth--
	switch m.Type {
	case "winding":
		if m.InnerRadiusM > 0 && m.OuterRadiusM > 0 && m.OuterRadiusM <= m.InnerRadiusM {
			o.value("outer_radius_m", false).fail(keyHint("outer_radius_m"), "must exceed inner_radius_m, which is %s", format(m.InnerRadiusM))
		}
	case "rectangle":
		if m.Axis != (r3.Vec{}) && m.WidthAxis != (r3.Vec{}) && parallel(m.Axis, m.WidthAxis) {
			o.value("width_axis", false).fail("it points along the sides of length width_m, across the axis", "must not be parallel to axis")
		}
	case "polyline":
		m.readPoints(o.value("points_m", true))
	}
}

func (m *Model) readPoints(v value) {
	if v.n == nil {
		return
	}
	if v.n.Kind != yamltree.List {
		v.fail("write [[x, y, z], [x, y, z], ..]", "must be a list of points")
		return
	}
	before := len(v.r.errs)
	var point value
	for i := range v.n.Items {
		point = v.item(i)
		p := point.vector(false)
		if len(v.r.errs) == before && i > 0 && p == m.PointsM[i-1] {
			point.fail("remove one of the two", "repeats the point before")
		}
		m.PointsM = append(m.PointsM, p)
	}
	n, least := len(m.PointsM), 2
	if m.Closed {
		least = 3
	}
	switch {
	case len(v.r.errs) > before:
	case m.Closed && n > 1 && m.PointsM[0] == m.PointsM[n-1]:
		point.fail("remove it: a closed polyline returns to its first point by itself", "repeats the first point")
	case n < least:
		v.r.fail(v.n.At, v.path, "", "", "must have at least %d points, has %d", least, n)
	}
}

// parallel reports directions less than a milliradian apart, whose perpendicular
// part would be rounding more than intent.
func parallel(a, b r3.Vec) bool {
	return r3.Norm(r3.Cross(unit3(a), unit3(b))) < 1e-3
}
