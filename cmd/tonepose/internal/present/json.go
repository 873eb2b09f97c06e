package present

import (
	"bytes"
	"encoding"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"strings"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// JSON writes v as one indented value, the way of every --json: field names,
// omitempty, embedding and marshalers count as in encoding/json, and
//
//   - a number that is none (NaN, infinite) is null;
//   - an empty list is [], also where the slice is nil;
//   - a rigid.Pose has the shape of Pose, a vector is [x, y, z], a quaternion
//     [w, x, y, z];
//   - omitempty and omitzero leave out whatever is zero, structs and arrays too.
//
// Lists of numbers stand on one line.
func JSON(w io.Writer, v any) error {
	var e encoder
	if err := e.value(reflect.ValueOf(v), "\n"); err != nil {
		return err
	}
	e.WriteByte('\n')
	_, err := w.Write(e.Bytes())
	return err
}

// encoder collects the text. Lines within a value begin with newline, a line feed
// and the value's indentation.
type encoder struct{ bytes.Buffer }

func (e *encoder) value(v reflect.Value, newline string) error {
	if !v.IsValid() || (v.Kind() == reflect.Pointer || v.Kind() == reflect.Interface) && v.IsNil() {
		e.WriteString("null")
		return nil
	}
	switch x := v.Interface().(type) {
	case rigid.Pose:
		return e.value(reflect.ValueOf(PoseOf(x)), newline)
	case r3.Vec:
		return e.value(reflect.ValueOf(vector(x)), newline)
	case quat.Number:
		return e.value(reflect.ValueOf(quaternion(x)), newline)
	case json.Marshaler, encoding.TextMarshaler:
		return e.leaf(x)
	}
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		return e.value(v.Elem(), newline)
	case reflect.Float32, reflect.Float64:
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			e.WriteString("null")
			return nil
		}
	case reflect.Slice, reflect.Array:
		lines := newline
		if k := v.Type().Elem().Kind(); k >= reflect.Bool && k <= reflect.Float64 {
			lines = "" // numbers stand on one
		}
		return e.items("[]", v.Len(), lines, func(i int) error { return e.value(v.Index(i), newline+"  ") })
	case reflect.Struct:
		return e.object(members(v), newline)
	case reflect.Map:
		var all []member
		for i := v.MapRange(); i.Next(); {
			all = append(all, member{fmt.Sprint(i.Key()), i.Value()})
		}
		slices.SortFunc(all, func(a, b member) int { return strings.Compare(a.name, b.name) })
		return e.object(all, newline)
	}
	return e.leaf(v.Interface())
}

// leaf writes what encoding/json does.
func (e *encoder) leaf(v any) error {
	plain := json.NewEncoder(&e.Buffer)
	plain.SetEscapeHTML(false)
	if err := plain.Encode(v); err != nil {
		return err
	}
	e.Truncate(e.Len() - 1) // its line feed
	return nil
}

// member is a name of an object with its value.
type member struct {
	name  string
	value reflect.Value
}

func (e *encoder) object(all []member, newline string) error {
	return e.items("{}", len(all), newline, func(i int) error {
		if err := e.leaf(all[i].name); err != nil {
			return err
		}
		e.WriteString(": ")
		return e.value(all[i].value, newline+"  ")
	})
}

// items writes a list or an object, each item on a line of its own unless newline
// is empty.
func (e *encoder) items(brackets string, n int, newline string, item func(i int) error) error {
	separator := ","
	if newline == "" {
		separator = ", "
	} else if n > 0 {
		separator += newline + "  "
	}
	e.WriteString(brackets[:1] + strings.TrimLeft(separator, ", "))
	for i := range n {
		if i > 0 {
			e.WriteString(separator)
		}
		if err := item(i); err != nil {
			return err
		}
	}
	if n > 0 {
		e.WriteString(newline)
	}
	e.WriteString(brackets[1:])
	return nil
}

// members of a struct, those of embedded structs in their place.
func members(v reflect.Value) (all []member) {
	for i := range v.NumField() {
		field, value := v.Type().Field(i), v.Field(i)
		name, option, _ := strings.Cut(field.Tag.Get("json"), ",")
		if field.Anonymous && name == "" {
			if value.Kind() == reflect.Pointer {
				value = value.Elem()
			}
			if value.Kind() == reflect.Struct {
				all = append(all, members(value)...)
			}
			continue
		}
		if !field.IsExported() || name == "-" || (option == "omitempty" || option == "omitzero") && (value.IsZero() || value.Kind() == reflect.Slice && value.Len() == 0) {
			continue
		}
		if name == "" {
			name = field.Name
		}
		all = append(all, member{name, value})
	}
	return all
}
