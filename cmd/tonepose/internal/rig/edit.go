package rig

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Edit gathers changes of a rig's values and writes them into its own text:
// everything else, comments and formatting included, stays byte for byte.
//
// Paths are those of the messages, such as emitters[3].model.radius_m. A key
// that the file leaves to its default is added to its mapping. The first wrong
// call is remembered and returned by Text and Save.
type Edit struct {
	rig         *Rig
	sets        []set
	calibration *Calibration
	cov         *covariance
	err         error
}

// set is one value to write: a number, or a vector of three.
type set struct {
	path   string
	number []float64
	own    bool // must stand at its own place, even where a shared value agrees
}

// leaf prints the value as flatten does.
func (s set) leaf() string {
	if len(s.number) == 1 {
		return format(s.number[0])
	}
	return "[" + format(s.number[0]) + ", " + format(s.number[1]) + ", " + format(s.number[2]) + "]"
}

// Edit begins a set of changes; the rig itself stays as it is.
func (r *Rig) Edit() *Edit { return &Edit{rig: r} }

// SetNumber changes one number, in the unit that its key names.
func (e *Edit) SetNumber(path string, x float64) { e.set(path, x) }

// SetVector changes a vector of three numbers, such as an axis.
func (e *Edit) SetVector(path string, v r3.Vec) { e.set(path, v.X, v.Y, v.Z) }

func (e *Edit) set(path string, x ...float64) {
	for _, v := range x {
		if v-v != 0 && e.err == nil {
			e.err = fmt.Errorf("rig: %s cannot become %v: must be finite", path, v)
		}
	}
	for i := range e.sets {
		if e.sets[i].path == path {
			e.sets[i].number = x
			return
		}
	}
	e.sets = append(e.sets, set{path: path, number: x})
}

// MoveEmitter changes the model of emitter i as a calibration does: tilts it by
// the rotation vector tilt [rad] about its centre (Emitter.Center of
// Rig.Array), shifts it by shift [m], both in the rig frame, and multiplies its
// turns, or its moment, by strength. What stays the same keeps its text.
func (e *Edit) MoveEmitter(i int, shift, tilt r3.Vec, strength float64) {
	m := &e.rig.Emitters[i].Model
	e.move(m, index("emitters", i)+".model", motion{m.center(), rigid.Exp(tilt), shift, strength, tilt != r3.Vec{}})
}

type motion struct {
	pivot    r3.Vec
	turn     quat.Number
	shift    r3.Vec
	strength float64
	turns    bool
}

func (mo motion) point(p r3.Vec) r3.Vec {
	if mo.turns {
		p = r3.Add(mo.pivot, rigid.Rotate(mo.turn, r3.Sub(p, mo.pivot)))
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
		v := m.MomentM2
		if mo.turns {
			v = rigid.Rotate(mo.turn, v)
		}
		e.SetVector(path+".moment_m2", r3.Scale(mo.strength, v))
		return
	}
	if mo.turns && m.Type != "polyline" {
		e.SetVector(path+".axis", rigid.Rotate(mo.turn, m.Axis))
	}
	if mo.turns && m.Type == "rectangle" {
		e.SetVector(path+".width_axis", rigid.Rotate(mo.turn, m.WidthAxis))
	}
	e.SetNumber(path+".turns", m.Turns*mo.strength)
}

// Text returns the changed file. It is read again and compared value by value:
// what was set must have changed and nothing else.
func (e *Edit) Text() ([]byte, error) {
	if e.err != nil {
		return nil, e.err
	}
	// A value behind an anchor may serve several places. Where a change shows
	// up uninvited, the old value is written out there, and the text is made
	// again; every round pins at least one more place.
	want := flatten(e.rig.root)
	for _, s := range e.sets {
		want[s.path] = s.leaf()
	}
	sets := slices.Clone(e.sets)
	for {
		text, err := e.render(sets)
		if err != nil {
			return nil, err
		}
		changed, err := Parse(e.rig.File, text, e.rig.opts)
		if err != nil {
			return nil, fmt.Errorf("rig: the changed file would not be valid: %w", err)
		}
		wrong := differences(want, flatten(changed.root))
		if len(wrong) == 0 {
			return text, nil
		}
		pinned := false
		for _, path := range wrong {
			i := slices.IndexFunc(sets, func(o set) bool { return o.path == path })
			if s, ok := pin(path, want[path]); ok && i < 0 {
				sets, pinned = append(sets, s), true
			} else if i >= 0 && !sets[i].own {
				sets[i].own, pinned = true, true
			}
		}
		if !pinned {
			return nil, e.fail(wrong[0], "cannot be changed in place", "write the value out where it is used, without anchors")
		}
	}
}

func (e *Edit) fail(path, message, hint string) error {
	line := 0
	if n, _, _ := e.locate(path); n != nil {
		line = n.at.line
	}
	return &Error{File: e.rig.File, Line: line, Path: path, Message: message, Hint: hint}
}

// pin makes the change that writes an old value out.
func pin(path, leaf string) (set, bool) {
	s := set{path: path, own: true}
	for _, part := range strings.Split(strings.Trim(leaf, "[]"), ", ") {
		x, err := strconv.ParseFloat(part, 64)
		if err != nil {
			return s, false
		}
		s.number = append(s.number, x)
	}
	return s, len(s.number) == 1 || len(s.number) == 3
}

// flatten lists every scalar, and every list of scalars, by its path; numbers
// in their shortest form. The calibration block is compared apart.
func flatten(root *node) map[string]string {
	out := map[string]string{}
	var walk func(n *node, path string)
	walk = func(n *node, path string) {
		switch n.kind {
		case scalar:
			out[path] = n.leaf()
		case mapping:
			for _, e := range n.entries {
				if path != "" || e.key != "calibration" {
					walk(e.value, join(path, e.key))
				}
			}
		case list:
			var leaves []string
			for _, item := range n.items {
				if item.kind != scalar {
					for i, item := range n.items {
						walk(item, index(path, i))
					}
					return
				}
				leaves = append(leaves, item.leaf())
			}
			out[path] = "[" + strings.Join(leaves, ", ") + "]"
		}
	}
	walk(root, "")
	return out
}

func (n *node) leaf() string {
	if n.plain && decimal.MatchString(n.text) {
		if x, err := strconv.ParseFloat(n.text, 64); err == nil {
			return format(x)
		}
	}
	return n.text
}

func differences(want, got map[string]string) []string {
	var out []string
	for _, path := range slices.Sorted(maps.Keys(want)) {
		if g, ok := got[path]; !ok || g != want[path] {
			out = append(out, path)
		}
	}
	for _, path := range slices.Sorted(maps.Keys(got)) {
		if _, ok := want[path]; !ok {
			out = append(out, path)
		}
	}
	return out
}

// render writes the changes, and the calibration block, into the text.
func (e *Edit) render(sets []set) ([]byte, error) {
	text, hadMark := bytes.CutPrefix(e.rig.Text, []byte(byteOrderMark))
	s := newScript(text)
	for _, set := range sets {
		if err := e.apply(s, set); err != nil {
			return nil, err
		}
	}
	if e.calibration != nil {
		if err := s.replaceBlock(e.rig.root, "calibration", e.calibration.yaml(s.newline)); err != nil {
			return nil, &Error{File: e.rig.File, Message: err.Error(), Hint: "write the top level as key: value lines"}
		}
	}
	out, err := s.run()
	if err != nil {
		return nil, err
	}
	if hadMark {
		out = append([]byte(byteOrderMark), out...)
	}
	return out, nil
}

func (e *Edit) apply(s *script, c set) error {
	n, parent, key := e.locate(c.path)
	switch {
	case n == nil && parent == nil:
		return e.fail(c.path, "is not in the file, or comes by an alias", "write the mapping out where it is used")
	case n != nil && !c.own && n.leafOrList() == c.leaf():
		return nil
	case parent != nil:
		if !s.insertKey(parent, key, c.leaf()) {
			return e.fail(c.path, "cannot be added to its mapping", "add the key by hand")
		}
		return nil
	case n.alias != "":
		return s.replace(n.at, "*"+n.alias, c.leaf())
	case len(c.number) == 1 && n.kind == scalar && n.plain:
		return s.replace(n.at, n.text, c.leaf())
	case len(c.number) == 3 && n.kind == list && len(n.items) == 3:
		for i, item := range n.items {
			old := item.text
			if item.alias != "" {
				old = "*" + item.alias
			} else if item.leaf() == format(c.number[i]) {
				continue
			}
			if err := s.replace(item.at, old, format(c.number[i])); err != nil {
				return err
			}
		}
		return nil
	}
	return e.fail(c.path, fmt.Sprintf("is not a value of %d numbers", len(c.number)), "")
}

func (n *node) leafOrList() string {
	if n.kind == scalar {
		return n.leaf()
	}
	return flatten(n)[""]
}

// locate follows a path. It returns the value; for a key that is missing or
// merely merged also the mapping to add it to; or nothing when the way leads
// through an alias, whose text serves other places.
func (e *Edit) locate(path string) (n, parent *node, key string) {
	n = e.rig.root
	steps := splitPath(path)
	for k, step := range steps {
		last := k == len(steps)-1
		if n.alias != "" {
			return nil, nil, ""
		}
		if i, err := strconv.Atoi(step); err == nil && n.kind == list {
			if i < 0 || i >= len(n.items) {
				return nil, nil, ""
			}
			n = n.items[i]
			continue
		}
		if n.kind != mapping {
			return nil, nil, ""
		}
		found := find(n.entries, step)
		switch {
		case found != nil && !found.merged:
			n = found.value
		case !last:
			return nil, nil, ""
		case found != nil:
			return found.value, n, step
		default:
			return nil, n, step
		}
	}
	return n, nil, ""
}

// splitPath parts a.b[3].c into a, b, 3, c.
func splitPath(path string) []string {
	return strings.FieldsFunc(path, func(r rune) bool { return r == '.' || r == '[' || r == ']' })
}
