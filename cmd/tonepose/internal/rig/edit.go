package rig

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/yamltree"
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
	want        map[string]string // the values that are set, by their paths, as flatten prints them
	calibration *Calibration
	cov         *covariance
	correction  *correction.Map
	comment     string // at the head of the file
	err         error
}

// Edit begins a set of changes; the rig itself stays as it is.
func (r *Rig) Edit() *Edit { return &Edit{rig: r, want: map[string]string{}} }

// SetNumber changes one number, in the unit that its key names.
func (e *Edit) SetNumber(path string, x float64) {
	if strings.HasSuffix(path, "]") && e.err == nil {
		e.err = fmt.Errorf("rig: %s is one component: set the whole vector", path)
	}
	e.want[path] = e.number(path, x)
}

// SetComment puts one line of comment at the head of the file, unless it is there.
func (e *Edit) SetComment(line string) { e.comment = "# " + line }

// SetVector changes a vector of three numbers, such as an axis.
func (e *Edit) SetVector(path string, v r3.Vec) {
	e.want[path] = "[" + e.number(path, v.X) + ", " + e.number(path, v.Y) + ", " + e.number(path, v.Z) + "]"
}

func (e *Edit) number(path string, x float64) string {
	if (math.IsNaN(x) || math.IsInf(x, 0)) && e.err == nil {
		e.err = fmt.Errorf("rig: %s cannot become %v: must be finite", path, x)
	}
	return format(x)
}

// maxRounds bounds the rounds of an edit; anchors behind anchors need six.
const maxRounds = 16

// Text returns the changed file. It is read again and compared value by value:
// what was set must have changed and nothing else.
func (e *Edit) Text() ([]byte, error) {
	changed, err := e.changed(e.rig.File)
	if err != nil {
		return nil, err
	}
	return changed.Text, nil
}

// changed is the rig of the changed file, under a name.
func (e *Edit) changed(name string) (*Rig, error) {
	if e.err != nil {
		return nil, e.err
	}
	want := flatten(e.rig.root)
	maps.Copy(want, e.want)
	s := yamltree.NewEdits(e.rig.Text)
	if e.comment != "" {
		s.Head(e.comment)
	}
	if e.calibration != nil {
		if err := s.SetBlock(e.rig.root, "calibration", e.calibration.yaml(s.Newline)); err != nil {
			return nil, &Error{File: e.rig.File, Message: err.Error(), Hint: "write the top level as key: value lines"}
		}
	}
	// A value behind an anchor may serve several paths. Where a change shows in
	// a path that was not set, the next round writes the old value out there.
	var wrong []string
	for range maxRounds {
		text, err := s.Text()
		if err != nil {
			return nil, fmt.Errorf("rig: %w", err)
		}
		root, invalid := parseTree(name, rigKind, text)
		if invalid != nil {
			return nil, fmt.Errorf("rig: the changed file would not be valid: %w", invalid)
		}
		if wrong = differences(want, flatten(root)); len(wrong) == 0 {
			changed, err := Parse(name, text, e.rig.opts)
			if err != nil {
				return nil, fmt.Errorf("rig: the changed file would not be valid: %w", err)
			}
			return changed, nil
		}
		s = yamltree.NewEdits(text)
		for _, path := range wrong {
			if err := e.write(s, root, path, want[path]); err != nil {
				return nil, err
			}
		}
	}
	return nil, e.refuse(wrong[0], "cannot be changed in place", "write the value out where it is used, without anchors")
}

func (e *Edit) refuse(path, message, hint string) error {
	line := 0
	if n := locate(e.rig.root, path).n; n != nil {
		line = n.At.Line
	}
	return &Error{File: e.rig.File, Line: line, Path: path, Message: message, Hint: hint}
}

// write brings the value at a path to the number, or the vector, of value. Where
// the path leads through an alias or a merge, it writes out on one line what
// stands behind that, unchanged: the next round then finds the value itself.
func (e *Edit) write(s *yamltree.Edits, root *yamltree.Node, path, value string) error {
	numbers := strings.Split(strings.Trim(value, "[]"), ", ")
	if slices.ContainsFunc(numbers, func(x string) bool { return !decimal.MatchString(x) }) {
		return e.refuse(path, "cannot be changed in place", "write the value out where it is used, without anchors")
	}
	sp := locate(root, path)
	n := sp.n
	if sp.shared {
		value = n.Inline()
	}
	switch {
	case n == nil && sp.parent == nil:
		return e.refuse(path, "is not in the file", "")
	case sp.parent != nil:
		if !s.InsertKey(sp.parent, sp.key, value) {
			return e.refuse(path, "cannot be added to its mapping", "add the key by hand")
		}
		return nil
	case n.Alias != "", len(numbers) == 1 && n.Kind == yamltree.Scalar && n.Plain:
		s.Replace(n, value)
		return nil
	case len(numbers) == 3 && n.Kind == yamltree.List && len(n.Items) == 3:
		for i, item := range n.Items {
			if leaf(item) != numbers[i] {
				s.Replace(item, numbers[i])
			}
		}
		return nil
	}
	return e.refuse(path, fmt.Sprintf("is not a value of %d numbers", len(numbers)), "")
}

// spot is where a path leads.
type spot struct {
	n      *yamltree.Node // the value; nil when missing
	parent *yamltree.Node // where to add the key, when it is missing or merely merged
	key    string         // with parent
	shared bool           // the path goes on inside n, whose text serves other paths too
}

func locate(root *yamltree.Node, path string) spot {
	n := root
	steps := splitPath(path)
	for k, step := range steps {
		last := k == len(steps)-1
		if n.Alias != "" {
			return spot{n: n, shared: true}
		}
		if i, err := strconv.Atoi(step); err == nil && n.Kind == yamltree.List {
			if i < 0 || i >= len(n.Items) {
				return spot{}
			}
			n = n.Items[i]
			continue
		}
		if n.Kind != yamltree.Mapping {
			return spot{}
		}
		found := n.Entry(step)
		switch {
		case found != nil && !found.Merged:
			n = found.Value
		case found != nil:
			return spot{n: found.Value, parent: n, key: step, shared: !last}
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
