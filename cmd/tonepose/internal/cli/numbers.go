package cli

import (
	"encoding/json"
	"io"
	"math"
	"reflect"
	"strings"
)

// writeNumbers prints v as one JSON object whose numbers may be NaN: no value is
// null. Field names, omitempty and embedding count as in encoding/json.
func writeNumbers(w io.Writer, v any) error {
	return json.NewEncoder(w).Encode(withoutNaN(reflect.ValueOf(v)))
}

func withoutNaN(v reflect.Value) any {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if v.IsNil() {
			return nil
		}
		return withoutNaN(v.Elem())
	case reflect.Float64:
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			return nil
		}
	case reflect.Slice, reflect.Array:
		list := make([]any, v.Len())
		for i := range list {
			list[i] = withoutNaN(v.Index(i))
		}
		return list
	case reflect.Struct:
		object := map[string]any{}
		fill(object, v)
		return object
	}
	return v.Interface()
}

func fill(object map[string]any, v reflect.Value) {
	for i := range v.NumField() {
		field := v.Type().Field(i)
		name, rest, _ := strings.Cut(field.Tag.Get("json"), ",")
		switch {
		case !field.IsExported() || name == "-" || rest == "omitempty" && v.Field(i).IsZero():
		case field.Anonymous && name == "":
			fill(object, v.Field(i))
		default:
			if name == "" {
				name = field.Name
			}
			object[name] = withoutNaN(v.Field(i))
		}
	}
}
