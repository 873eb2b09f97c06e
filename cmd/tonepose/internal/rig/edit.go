package rig

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/correction"
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
	correction  *correction.Map
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
	if len(x) == 1 && strings.HasSuffix(path, "]") && e.err == nil {
		e.err = fmt.Errorf("rig: %s is one component: set the whole vector", path)
	}
	for i := range e.sets {
		if e.sets[i].path == path {
			e.sets[i].number = x
			return
		}
	}
	e.sets = append(e.sets, set{path: path, number: x})
}

// Text returns the changed file. It is read again and compared value by value:
// what was set must have changed and nothing else.
func (e *Edit) Text() ([]byte, error) {
	if e.err != nil {
		return nil, e.err
	}
	want := flatten(e.rig.root)
	for _, s := range e.sets {
		want[s.path] = s.leaf()
	}
	// A value behind an anchor may serve several places. Where a change shows
	// up uninvited, the old value is written out there, and the text is made
	// again; every round pins at least one more place.
	sets := slices.Clone(e.sets)
	for {
		base, err := unshare(e.rig, sets)
		if err != nil {
			return nil, err
		}
		text, err := e.render(base, sets)
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
			return nil, refuse(e.rig, wrong[0], "cannot be changed in place", "write the value out where it is used, without anchors")
		}
	}
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

func refuse(base *Rig, path, message, hint string) error {
	line := 0
	if sp := locate(base.root, path); sp.n != nil {
		line = sp.n.at.line
	}
	return &Error{File: base.File, Line: line, Path: path, Message: message, Hint: hint}
}

// unshare writes out, on one line, every mapping or list that comes by an alias
// or a merge and in which a value is to change. The values stay as they are.
func unshare(base *Rig, sets []set) (*Rig, error) {
	for _, c := range sets {
		sp := locate(base.root, c.path)
		if !sp.shared {
			continue
		}
		s := newScript(base.Text)
		if sp.parent == nil {
			if err := s.replace(sp.n.at, "*"+sp.n.alias, sp.n.flowText()); err != nil {
				return nil, err
			}
		} else if !s.insertKey(sp.parent, sp.key, sp.n.flowText()) {
			return nil, refuse(base, c.path, "cannot be added to its mapping", "add the key by hand")
		}
		text, err := s.run()
		if err != nil {
			return nil, err
		}
		apart, err := Parse(base.File, text, base.opts)
		if err != nil {
			return nil, fmt.Errorf("rig: the changed file would not be valid: %w", err)
		}
		return unshare(apart, sets)
	}
	return base, nil
}

// render writes the changes, and the calibration block, into the text.
func (e *Edit) render(base *Rig, sets []set) ([]byte, error) {
	s := newScript(base.Text)
	for _, set := range sets {
		if err := apply(base, s, set); err != nil {
			return nil, err
		}
	}
	if e.calibration != nil {
		if err := s.replaceBlock(base.root, "calibration", e.calibration.yaml(s.newline)); err != nil {
			return nil, &Error{File: base.File, Message: err.Error(), Hint: "write the top level as key: value lines"}
		}
	}
	return s.run()
}

func apply(base *Rig, s *script, c set) error {
	sp := locate(base.root, c.path)
	n := sp.n
	switch {
	case n == nil && sp.parent == nil:
		return refuse(base, c.path, "is not in the file", "")
	case n != nil && !c.own && n.leafOrList() == c.leaf():
		return nil
	case sp.parent != nil:
		if !s.insertKey(sp.parent, sp.key, c.leaf()) {
			return refuse(base, c.path, "cannot be added to its mapping", "add the key by hand")
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
	return refuse(base, c.path, fmt.Sprintf("is not a value of %d numbers", len(c.number)), "")
}

// spot is where a path leads.
type spot struct {
	n      *node  // the value; nil when missing
	parent *node  // where to add the key, when it is missing or merely merged
	key    string // with parent
	shared bool   // the path goes on inside n, whose text serves other places
}

func locate(root *node, path string) spot {
	n := root
	steps := splitPath(path)
	for k, step := range steps {
		last := k == len(steps)-1
		if n.alias != "" {
			return spot{n: n, shared: true}
		}
		if i, err := strconv.Atoi(step); err == nil && n.kind == list {
			if i < 0 || i >= len(n.items) {
				return spot{}
			}
			n = n.items[i]
			continue
		}
		if n.kind != mapping {
			return spot{}
		}
		found := find(n.entries, step)
		switch {
		case found != nil && !found.merged:
			n = found.value
		case found != nil:
			return spot{n: found.value, parent: n, key: step, shared: !last}
		case last:
			return spot{parent: n, key: step}
		default:
			return spot{}
		}
	}
	return spot{n: n}
}

// splitPath parts a.b[3].c into a, b, 3, c.
func splitPath(path string) []string {
	return strings.FieldsFunc(path, func(r rune) bool { return r == '.' || r == '[' || r == ']' })
}
