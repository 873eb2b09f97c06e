package rig

import (
	"cmp"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/yamltree"
	"tonepose/multitone/recording"
)

// reader walks the tree and collects what is wrong.
type reader struct {
	file   string
	opts   Options
	rig    *Rig
	scene  *Scene // nil: a rig file is read
	errs   Errors
	names  map[string]yamltree.Position // where a name that must be unique was read
	models int                          // parts read so far
	depth  int                          // of sums
}

func (r *reader) fail(at yamltree.Position, path, value, hint, message string, args ...any) {
	r.errs = append(r.errs, &Error{File: r.file, Line: at.Line, Path: path, Value: value,
		Message: fmt.Sprintf(message, args...), Hint: hint})
}

// value is a node with what its messages need.
type value struct {
	r    *reader
	n    *yamltree.Node // nil: there is no value, which was reported where it is an error
	path string
	key  string // that names the unit
}

// fail reports what is wrong with a value; without one that was done.
func (v value) fail(hint, message string, args ...any) {
	if v.n == nil {
		return
	}
	v.r.fail(v.n.At, v.path, v.n.String(), hint, message, args...)
}

// item is an element of a list.
func (v value) item(i int) value { return value{v.r, v.n.Items[i], index(v.path, i), v.key} }

// object is a mapping whose keys are known.
type object struct {
	r        *reader
	n        *yamltree.Node // nil when the value was no mapping: getters then report nothing
	path     string
	misspelt map[string]bool // keys whose absence another message explains
	before   int             // errors before it was read
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func index(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// read fills a struct: by its own method, or from a mapping by the tags of its
// fields, which its method check then compares.
func (r *reader) read(v value, dst any) {
	if d, ok := dst.(interface{ read(value) }); ok {
		d.read(v)
		return
	}
	o := r.fields(v, dst, nil)
	if c, ok := dst.(interface{ check(object) }); ok && o.n != nil {
		c.check(o)
	}
}

// fields fills a struct from a mapping. Tags of its fields name the key, then
// what is asked of the value: optional; planned, so optional on request; unique
// among its like; direction, not the zero vector; or a rule of numbers. Of the
// keys only those given are known, nil for all.
func (r *reader) fields(v value, dst any, keys []string) object {
	s := reflect.ValueOf(dst).Elem()
	if keys == nil {
		for _, f := range reflect.VisibleFields(s.Type()) {
			if tag, ok := f.Tag.Lookup("rig"); ok {
				keys = append(keys, strings.Split(tag, ",")[0])
			}
		}
	}
	o := r.object(v, keys...)
	if o.n == nil {
		return o
	}
	for i := range s.NumField() {
		tag := s.Type().Field(i).Tag
		words := strings.Split(tag.Get("rig"), ",")
		asked := func(word string) bool { return slices.Contains(words[1:], word) }
		if !slices.Contains(keys, words[0]) {
			continue
		}
		before := len(r.errs)
		v := o.value(words[0], !asked("optional") && !(asked("planned") && r.opts.AllowMissingTones))
		if v.n == nil {
			if n := len(r.errs); asked("planned") && n > before && r.errs[n-1].Path == v.path {
				r.errs[n-1].Hint += "; tonepose plan --rig-out chooses one and writes it"
			}
			continue
		}
		switch p := s.Field(i).Addr().Interface().(type) {
		case *string:
			if *p = v.text(); asked("unique") {
				v.unique(o.path[:strings.LastIndex(o.path, "[")], *p, "names must differ", "is already used in line %d")
			}
		case *float64:
			*p = v.number(rules[words[len(words)-1]])
		case *bool:
			*p = v.truth()
		case *int:
			*p = v.channel()
		case *r3.Vec:
			*p = v.vector(asked("direction"))
		case **r3.Vec:
			tip := v.vector(false)
			*p = &tip
		case *Tolerance:
			r.fields(v, p, strings.Fields(tag.Get("keys")))
		case *[]string:
			for _, item := range v.elements() {
				*p = append(*p, item.text())
			}
		case *[]r3.Vec: // by Model.read
		default:
			r.parts(v, s.Field(i))
		}
	}
	return o
}

// parts fills a struct, a pointer to one, or a list of them.
func (r *reader) parts(v value, dst reflect.Value) {
	switch dst.Kind() {
	case reflect.Struct:
		r.read(v, dst.Addr().Interface())
	case reflect.Pointer:
		dst.Set(reflect.New(dst.Type().Elem()))
		r.read(v, dst.Interface())
	case reflect.Slice:
		items := v.elements()
		dst.Set(reflect.MakeSlice(dst.Type(), len(items), len(items)))
		for i, item := range items {
			r.read(item, dst.Index(i).Addr().Interface())
		}
	}
}

// object checks that v is a mapping with no other keys than those named.
func (r *reader) object(v value, keys ...string) object {
	n, path := v.n, v.path
	o := object{r: r, path: path, misspelt: map[string]bool{}, before: len(r.errs)}
	if n == nil {
		return o
	}
	if n.Kind != yamltree.Mapping {
		v.fail("write key: value pairs: "+strings.Join(keys, ", "), "must be a mapping")
		return o
	}
	o.n = n
	for _, d := range n.Twice {
		r.fail(d.At, join(path, yamltree.Shorten(d.Key)), "", "keep one of the two", "stands twice, first in line %d", n.Entry(d.Key).At.Line)
	}
	for _, e := range n.Entries {
		if slices.Contains(keys, e.Key) {
			continue
		}
		meant, hint := mendKey(e.Key, e.Value, keys)
		if meant != "" {
			o.misspelt[meant] = true
		}
		value := ""
		if e.Value.Kind == yamltree.Scalar {
			value = e.Value.String()
		}
		r.fail(e.At, join(path, yamltree.Shorten(e.Key)), value, hint, "unknown key")
	}
	return o
}

// value finds a key; a missing one is reported when required.
func (o object) value(key string, required bool) value {
	v := value{o.r, nil, join(o.path, key), key}
	if o.n == nil {
		return v
	}
	n := o.n.Get(key)
	switch {
	case n == nil && required && !o.misspelt[key]:
		o.r.fail(o.n.At, v.path, "", keyHint(key), "is missing")
	case n != nil && n.Null:
		mend := "write one"
		if !required {
			mend += ", or leave the key out"
		}
		o.r.fail(n.At, v.path, "", cmp.Or(keyHint(key), mend), "has no value")
	default:
		v.n = n
	}
	return v
}

func (o object) has(key string) bool { return o.n != nil && o.n.Get(key) != nil }

// unique reports a text that was read before in the same group.
func (v value) unique(group, text, hint, message string) {
	if text == "" {
		return
	}
	group += " " + text
	if first, ok := v.r.names[group]; ok {
		v.fail(hint, message, first.Line)
		return
	}
	v.r.names[group] = v.n.At
}

// rule is what a number has to satisfy.
type rule struct {
	broken func(float64) bool
	want   string
}

var rules = map[string]rule{
	"positive":    {func(x float64) bool { return x <= 0 }, "must be positive"},
	"nonnegative": {func(x float64) bool { return x < 0 }, "must not be negative"},
	"nonzero":     {func(x float64) bool { return x == 0 }, "must not be zero"},
}

// decimal is a number of the YAML 1.2 core schema (section 10.3.2) in base ten,
// without leading zeros, which YAML 1.1 took as octal.
var decimal = regexp.MustCompile(`^[-+]?(\.[0-9]+|(0|[1-9][0-9]*)(\.[0-9]*)?)([eE][-+]?[0-9]+)?$`)

var notFinite = regexp.MustCompile(`^([-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN))$`)

func (v value) number(must rule) float64 {
	if v.n == nil {
		return 0
	}
	plain := v.n.Kind == yamltree.Scalar && v.n.Plain
	if !plain || !decimal.MatchString(v.n.Text) && !notFinite.MatchString(v.n.Text) {
		v.fail(numberHint(v.n, v.key), "must be a number")
		return 0
	}
	x, err := strconv.ParseFloat(v.n.Text, 64)
	switch {
	case err != nil || math.IsInf(x, 0):
		v.fail(keyHint(v.key), "must be finite")
		return 0
	case must.broken != nil && must.broken(x):
		v.fail(keyHint(v.key), "%s", must.want)
		return 0
	}
	switch s := sizeOf(v.key); {
	case math.Abs(x) > s.most:
		v.fail(keyHint(v.key), "must not be larger than %g in size", s.most)
		return 0
	case math.Abs(x) < s.least && must.broken != nil && must.broken(0):
		v.fail(keyHint(v.key), "must not be smaller than %g in size", s.least)
		return 0
	}
	return x
}

// size is how large a number that is not zero may be.
type size struct{ least, most float64 }

// Sizes by the unit that a key names. They are far beyond any bench, and so far from the ends of
// floating-point numbers that products and squares of a few stay within them.
var (
	sizes   = map[string]size{"m": {1e-9, 1e9}, "m2": {1e-18, 1e15}, "s": {1e-15, 1e9}, "hz": {1e-6, 1e12}}
	anySize = size{1e-15, 1e15}
)

// sizeOf is the size of numbers of a key.
func sizeOf(key string) size {
	switch key {
	case "sample_rate_hz":
		return size{recording.LeastRate, recording.MostRate}
	case "axis", "width_axis", "normal": // the length of a direction does not matter
		return size{0, math.MaxFloat64}
	}
	_, unit := split(key)
	if s, ok := sizes[unit]; ok && !strings.Contains(key, "_per_") {
		return s
	}
	return anySize
}

var notText = regexp.MustCompile(`^(true|True|TRUE|false|False|FALSE)$`)

// text reads one line; nothing where there is none.
func (v value) text() string {
	if v.n == nil {
		return ""
	}
	text := v.n.Text
	switch {
	case v.n.Kind != yamltree.Scalar || v.n.Null || v.n.Plain && notText.MatchString(text):
		v.fail("", "must be text")
	case strings.TrimSpace(text) == "":
		v.fail("", "must not be empty")
	case strings.TrimSpace(text) != text || strings.ContainsFunc(text, func(c rune) bool { return c < ' ' || c == 0x7f }):
		v.fail("", "must be one line without spaces at its ends")
	default:
		return text
	}
	return ""
}

func (v value) truth() bool {
	if v.n == nil {
		return false
	}
	if v.n.Kind != yamltree.Scalar || !v.n.Plain || !notText.MatchString(v.n.Text) {
		v.fail("", "must be true or false")
	}
	return strings.EqualFold(v.n.Text, "true")
}

// vector reads three numbers; the zero vector where one is wrong.
func (v value) vector(direction bool) r3.Vec {
	switch {
	case v.n == nil:
		return r3.Vec{}
	case v.n.Kind != yamltree.List:
		v.fail("write [x, y, z]", "must be a list of three numbers")
		return r3.Vec{}
	case len(v.n.Items) != 3:
		hint := "write [x, y, z]"
		if whole := regexp.MustCompile(`^[-+]?[0-9]+$`); len(v.n.Items) > 3 && !slices.ContainsFunc(v.n.Items, func(n *yamltree.Node) bool { return !whole.MatchString(n.Text) }) {
			hint += "; the decimal sign is a point, a comma begins the next number"
		}
		v.fail(hint, "must have three numbers, has %d", len(v.n.Items))
		return r3.Vec{}
	}
	before := len(v.r.errs)
	p := r3.Vec{X: v.item(0).number(rule{}), Y: v.item(1).number(rule{}), Z: v.item(2).number(rule{})}
	switch {
	case len(v.r.errs) > before:
		return r3.Vec{}
	case direction && p == r3.Vec{}:
		v.fail(keyHint(v.key), "must not be the zero vector")
	}
	return p
}

// elements are those of a list, at least one.
func (v value) elements() (items []value) {
	switch {
	case v.n == nil:
	case v.n.Kind != yamltree.List:
		v.fail("begin each element with a dash", "must be a list")
	case len(v.n.Items) == 0:
		v.fail("", "must have at least one element")
	default:
		for i := range v.n.Items {
			items = append(items, v.item(i))
		}
	}
	return items
}
