package present

import (
	"bytes"
	"encoding"
	"encoding/json"
	"io"
	"reflect"
	"regexp"
	"strings"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
)

// JSON writes v as one indented value, the way of every --json: field names,
// omitempty, embedding and marshalers count as in encoding/json, and
//
//   - a number that is none (NaN, infinite) is null;
//   - an empty list is [], also where the slice is nil;
//   - a rigid.Pose has the shape of Pose, a vector is [x, y, z], a quaternion
//     [w, x, y, z];
//   - omitempty and omitzero leave out whatever is zero, structs and arrays too;
//   - all control characters are escaped, those too that JSON may hold as they are: a terminal
//     obeys them.
//
// Lists of numbers are on one line.
func JSON(w io.Writer, v any) error {
	var b bytes.Buffer
	if err := encode(&b, shape(reflect.ValueOf(v)), "  "); err != nil {
		return err
	}
	_, err := w.Write(numberList.ReplaceAllFunc(tables.EscapeControls(b.Bytes()), func(list []byte) []byte {
		return append(append([]byte("["), bytes.Join(bytes.Fields(list[1:len(list)-1]), []byte(" "))...), ']')
	}))
	return err
}

// numberList is an indented list of numbers; no text has a line feed in it.
var numberList = regexp.MustCompile(`\[\n[-+.0-9eEnul,\s]*\]`)

func encode(b *bytes.Buffer, v any, indent string) error {
	e := json.NewEncoder(b)
	e.SetEscapeHTML(false)
	e.SetIndent("", indent)
	return e.Encode(v)
}

// shape is v of values that encoding/json writes as they are meant.
func shape(v reflect.Value) any {
	if !v.IsValid() || (v.Kind() == reflect.Pointer || v.Kind() == reflect.Interface) && v.IsNil() {
		return nil
	}
	switch x := v.Interface().(type) {
	case rigid.Pose:
		return shape(reflect.ValueOf(PoseOf(x)))
	case r3.Vec:
		return shape(reflect.ValueOf(vector(x)))
	case quat.Number:
		return shape(reflect.ValueOf(quaternion(x)))
	case json.Marshaler, encoding.TextMarshaler:
		return x
	}
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		return shape(v.Elem())
	case reflect.Float32, reflect.Float64:
		if !tables.IsNumber(v.Float()) {
			return nil
		}
	case reflect.Slice, reflect.Array:
		list := make([]any, v.Len())
		for i := range list {
			list[i] = shape(v.Index(i))
		}
		return list
	case reflect.Struct:
		return members(v)
	case reflect.Map:
		values := map[string]any{}
		for i := v.MapRange(); i.Next(); {
			values[i.Key().String()] = shape(i.Value())
		}
		return values
	}
	return v.Interface()
}

// object keeps the order of its members.
type object []member

type member struct {
	name  string
	value any
}

// MarshalJSON implements json.Marshaler.
func (o object) MarshalJSON() ([]byte, error) {
	b := bytes.NewBufferString("{")
	for i, m := range o {
		if i > 0 {
			b.WriteByte(',')
		}
		if err := encode(b, m.name, ""); err != nil {
			return nil, err
		}
		b.WriteByte(':')
		if err := encode(b, m.value, ""); err != nil {
			return nil, err
		}
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// members of a struct, those of embedded structs among them, in their order.
func members(v reflect.Value) (all object) {
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
		all = append(all, member{name, shape(value)})
	}
	return all
}
