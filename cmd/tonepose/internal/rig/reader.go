package rig

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"
)

// reader walks the tree and collects what is wrong.
type reader struct {
	file   string
	opts   Options
	errs   Errors
	models int // parts read so far
}

func (r *reader) fail(at place, path, value, hint, message string, args ...any) {
	r.errs = append(r.errs, &Error{File: r.file, Line: at.line, Path: path, Value: value,
		Message: fmt.Sprintf(message, args...), Hint: hint})
}

// object is a mapping whose keys are known.
type object struct {
	r    *reader
	n    *node // nil when the value was no mapping: getters then stay silent
	path string
	lost map[string]bool // keys whose absence another message explains
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func index(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// object checks that n is a mapping with no other keys than those named.
func (r *reader) object(n *node, path string, keys ...string) object {
	o := object{r: r, path: path, lost: map[string]bool{}}
	if n == nil {
		return o
	}
	if n.kind != mapping {
		r.fail(n.at, path, n.String(), "write key: value pairs: "+strings.Join(keys, ", "), "must be a mapping")
		return o
	}
	o.n = n
	for _, d := range n.twice {
		r.fail(d.second, join(path, shorten(d.key)), "", "keep one of the two", "stands twice, first in line %d", d.first.line)
	}
	for _, e := range n.entries {
		if slices.Contains(keys, e.key) {
			continue
		}
		meant, hint := mendKey(e.key, e.value, keys)
		if meant != "" {
			o.lost[meant] = true
		}
		value := ""
		if e.value.kind == scalar {
			value = e.value.String()
		}
		r.fail(e.at, join(path, shorten(e.key)), value, hint, "unknown key")
	}
	return o
}

// value finds a key; a missing one is reported when required.
func (o object) value(key string, required bool) *node {
	if o.n == nil {
		return nil
	}
	n := o.n.get(key)
	switch {
	case n == nil && required && !o.lost[key]:
		o.r.fail(o.n.at, join(o.path, key), "", keyHint(key), "is missing")
	case n != nil && n.null:
		o.r.fail(n.at, join(o.path, key), "", keyHint(key), "has no value")
		return nil
	}
	return n
}

func (o object) has(key string) bool { return o.n != nil && o.n.get(key) != nil }

// at is the place of a key: of its value when that is a scalar; without the
// key, of the mapping.
func (o object) at(key string) place {
	if o.n == nil {
		return place{}
	}
	e := find(o.n.entries, key)
	switch {
	case e == nil:
		return o.n.at
	case e.value.kind == scalar:
		return e.value.at
	}
	return e.at
}

// fail reports the value of a key that is there.
func (o object) fail(key, hint, message string, args ...any) {
	o.r.fail(o.at(key), join(o.path, key), o.n.get(key).String(), hint, message, args...)
}

// rule is what a number has to satisfy.
type rule struct {
	ok   func(float64) bool
	want string
}

var (
	finite      = rule{func(float64) bool { return true }, ""}
	positive    = rule{func(x float64) bool { return x > 0 }, "must be positive"}
	nonNegative = rule{func(x float64) bool { return x >= 0 }, "must not be negative"}
	nonZero     = rule{func(x float64) bool { return x != 0 }, "must not be zero"}
)

// number reads a required number.
func (o object) number(key string, must rule) float64 {
	return o.r.number(o.value(key, true), join(o.path, key), key, must)
}

// numberOr reads an optional number.
func (o object) numberOr(key string, byDefault float64, must rule) float64 {
	n := o.value(key, false)
	if n == nil {
		return byDefault
	}
	return o.r.number(n, join(o.path, key), key, must)
}

// decimal is a number of the YAML 1.2 core schema (section 10.3.2) in base ten,
// without leading zeros, which YAML 1.1 took as octal.
var decimal = regexp.MustCompile(`^[-+]?(\.[0-9]+|(0|[1-9][0-9]*)(\.[0-9]*)?)([eE][-+]?[0-9]+)?$`)

var notFinite = regexp.MustCompile(`^([-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN))$`)

func (r *reader) number(n *node, path, key string, must rule) float64 {
	if n == nil {
		return 0
	}
	if n.kind != scalar || !n.plain || !decimal.MatchString(n.text) {
		if n.kind == scalar && n.plain && notFinite.MatchString(n.text) {
			r.fail(n.at, path, n.String(), keyHint(key), "must be finite")
			return 0
		}
		r.fail(n.at, path, n.String(), numberHint(n, key), "must be a number")
		return 0
	}
	x, err := strconv.ParseFloat(n.text, 64)
	switch {
	case err != nil || math.IsInf(x, 0):
		r.fail(n.at, path, n.String(), keyHint(key), "must be finite")
		return 0
	case !must.ok(x):
		r.fail(n.at, path, n.String(), keyHint(key), "%s", must.want)
		return 0
	}
	return x
}

func (o object) text(key string) string { return o.textOf(key, true) }

func (o object) textOf(key string, required bool) string {
	return o.r.text(o.value(key, required), join(o.path, key))
}

var notText = regexp.MustCompile(`^(true|True|TRUE|false|False|FALSE)$`)

func (r *reader) text(n *node, path string) string {
	if n == nil {
		return ""
	}
	switch {
	case n.kind != scalar || n.null || n.plain && notText.MatchString(n.text):
		r.fail(n.at, path, n.String(), "", "must be text")
		return ""
	case strings.TrimSpace(n.text) == "":
		r.fail(n.at, path, n.String(), "", "must not be empty")
		return ""
	case strings.TrimSpace(n.text) != n.text || strings.ContainsFunc(n.text, func(c rune) bool { return c < ' ' || c == 0x7f }):
		r.fail(n.at, path, n.String(), "", "must be one line without spaces at its ends")
		return ""
	}
	return n.text
}

func (o object) truth(key string, byDefault bool) bool {
	n := o.value(key, false)
	if n == nil {
		return byDefault
	}
	if n.kind == scalar && n.plain {
		switch n.text {
		case "true", "True", "TRUE":
			return true
		case "false", "False", "FALSE":
			return false
		}
	}
	o.r.fail(n.at, join(o.path, key), n.String(), "", "must be true or false")
	return byDefault
}

// vector reads a required vector of three numbers.
func (o object) vector(key string) r3.Vec {
	return o.r.vector(o.value(key, true), join(o.path, key), key)
}

// axis reads a required vector that must have a direction.
func (o object) axis(key string) r3.Vec {
	before := len(o.r.errs)
	n := o.value(key, true)
	v := o.r.vector(n, join(o.path, key), key)
	if n != nil && len(o.r.errs) == before && v == (r3.Vec{}) {
		o.r.fail(n.at, join(o.path, key), n.String(), keyHint(key), "must not be the zero vector")
	}
	return v
}

func (r *reader) vector(n *node, path, key string) r3.Vec {
	if n == nil {
		return r3.Vec{}
	}
	if n.kind != list {
		r.fail(n.at, path, n.String(), "write [x, y, z]", "must be a list of three numbers")
		return r3.Vec{}
	}
	if len(n.items) != 3 {
		r.fail(n.at, path, n.String(), "write [x, y, z]", "must have three numbers, has %d", len(n.items))
		return r3.Vec{}
	}
	var x [3]float64
	for i, item := range n.items {
		x[i] = r.number(item, index(path, i), key, finite)
	}
	return r3.Vec{X: x[0], Y: x[1], Z: x[2]}
}

// list reads a list of at least one element, calling each in turn.
func (o object) list(key string, each func(n *node, path string)) {
	n := o.value(key, true)
	if n == nil {
		return
	}
	path := join(o.path, key)
	if n.kind != list {
		o.r.fail(n.at, path, n.String(), "begin each element with a dash", "must be a list")
		return
	}
	if len(n.items) == 0 {
		o.r.fail(n.at, path, "[]", "", "must have at least one element")
		return
	}
	for i, item := range n.items {
		each(item, index(path, i))
	}
}
