package rig

import (
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
)

// Model describes the coil of an emitter, or one part of it, in the rig frame.
// Which fields count depends on Type; lengths in metres.
type Model struct {
	Type         string   // dipole, loop, winding, sheet, polyline, rectangle, sum
	CenterM      r3.Vec   // all but polyline and sum
	Axis         r3.Vec   // loop, winding, sheet, rectangle; as in the file, not necessarily unit
	WidthAxis    r3.Vec   // rectangle; only its part perpendicular to Axis counts
	MomentM2     r3.Vec   // dipole: turns × area vector
	RadiusM      float64  // loop, sheet
	InnerRadiusM float64  // winding
	OuterRadiusM float64  // winding
	LengthM      float64  // winding, sheet
	WidthM       float64  // rectangle, along WidthAxis
	HeightM      float64  // rectangle
	Turns        float64  // all but dipole and sum
	PointsM      []r3.Vec // polyline
	Closed       bool     // polyline
	Parts        []Model  // sum
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

func (r *reader) readModel(n *node, path string, depth int) Model {
	if n == nil {
		return Model{}
	}
	if n.kind != mapping {
		r.fail(n.at, path, n.String(), keyHint("model"), "must be a mapping")
		return Model{}
	}
	if r.models++; r.models > maxParts {
		if r.models == maxParts+1 {
			r.fail(n.at, path, "", "", "the models have more than %d parts", maxParts)
		}
		return Model{}
	}
	kind := n.get("type")
	if kind == nil {
		r.fail(n.at, path+".type", "", keyHint("type"), "is missing")
		return Model{}
	}
	m := Model{Type: r.text(kind, path+".type")}
	if m.Type == "" {
		return m
	}
	keys, ok := modelKeys[m.Type]
	if !ok {
		r.fail(kind.at, path+".type", shorten(m.Type), keyHint("type"), "is not a model type")
		return m
	}
	o := r.object(n, path, keys...)
	if slices.Contains(keys, "center_m") {
		m.CenterM = o.vector("center_m")
	}
	if slices.Contains(keys, "axis") {
		m.Axis = o.axis("axis")
	}
	if slices.Contains(keys, "turns") {
		m.Turns = o.number("turns", positive)
	}
	switch m.Type {
	case "dipole":
		m.MomentM2 = o.axis("moment_m2")
	case "loop":
		m.RadiusM = o.number("radius_m", positive)
	case "sheet":
		m.RadiusM = o.number("radius_m", positive)
		m.LengthM = o.number("length_m", positive)
	case "winding":
		r.readWinding(&m, o)
	case "rectangle":
		m.WidthM = o.number("width_m", positive)
		m.HeightM = o.number("height_m", positive)
		before := len(r.errs)
		m.WidthAxis = o.axis("width_axis")
		if len(r.errs) == before && o.has("width_axis") && parallel(m.Axis, m.WidthAxis) {
			o.fail("width_axis", "it points along the sides of length width_m, across the axis", "must not be parallel to axis")
		}
	case "polyline":
		r.readPolyline(&m, o)
	case "sum":
		if depth >= maxDepth {
			r.fail(n.at, path, "", "", "sums nest deeper than %d", maxDepth)
			return m
		}
		o.list("parts", func(n *node, path string) {
			m.Parts = append(m.Parts, r.readModel(n, path, depth+1))
		})
	}
	return m
}

func (r *reader) readWinding(m *Model, o object) {
	m.LengthM = o.number("length_m", positive)
	before := len(r.errs)
	m.InnerRadiusM = o.number("inner_radius_m", positive)
	m.OuterRadiusM = o.number("outer_radius_m", positive)
	if len(r.errs) == before && o.has("inner_radius_m") && o.has("outer_radius_m") && m.OuterRadiusM <= m.InnerRadiusM {
		o.fail("outer_radius_m", keyHint("outer_radius_m"),
			"must exceed inner_radius_m, which is %s", format(m.InnerRadiusM))
	}
}

func (r *reader) readPolyline(m *Model, o object) {
	m.Closed = o.truth("closed", true)
	n := o.value("points_m", true)
	if n == nil {
		return
	}
	path := o.path + ".points_m"
	if n.kind != list {
		r.fail(n.at, path, n.String(), "write [[x, y, z], [x, y, z], ..]", "must be a list of points")
		return
	}
	before := len(r.errs)
	for i, item := range n.items {
		p := r.vector(item, index(path, i), "points_m")
		if len(r.errs) == before && i > 0 && p == m.PointsM[i-1] {
			r.fail(item.at, index(path, i), item.String(), "remove one of the two", "repeats the point before")
		}
		m.PointsM = append(m.PointsM, p)
	}
	if len(r.errs) > before {
		return
	}
	if m.Closed && len(m.PointsM) > 1 && m.PointsM[0] == m.PointsM[len(m.PointsM)-1] {
		last := n.items[len(n.items)-1]
		r.fail(last.at, index(path, len(n.items)-1), last.String(), "remove it: a closed polyline returns to its first point by itself", "repeats the first point")
		return
	}
	least := 2
	if m.Closed {
		least = 3
	}
	if len(m.PointsM) < least {
		r.fail(n.at, path, "", "", "must have at least %d points, has %d", least, len(m.PointsM))
	}
}

// parallel tells directions less than a milliradian apart, whose perpendicular
// part would be rounding more than intent.
func parallel(a, b r3.Vec) bool {
	return r3.Norm(r3.Cross(unit3(a), unit3(b))) < 1e-3
}
