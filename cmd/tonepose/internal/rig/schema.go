package rig

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/handbook"
)

// Schema is a JSON Schema of the rig file (draft 2020-12), for editors: every key with its
// unit and meaning, what must be there, and which numbers can be. It is made from what
// Load itself reads by. Relations between values, as a name that must be a channel's, it
// can not express, and tone_hz and current_a_peak may be missing, for plan to choose.
func Schema() ([]byte, error) {
	top := mappingSchema(reflect.TypeFor[Rig](), "", nil)
	top["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	top["title"] = "rig file of tonepose"
	top["$defs"] = schema{"model": modelSchema()}
	text, err := json.MarshalIndent(top, "", "  ")
	return append(text, '\n'), err
}

// schema is one of JSON Schema.
type schema = map[string]any

var (
	numberSchema = schema{"type": "number"}
	// An unquoted number is taken for the text that it is; true and false are not.
	textSchema = schema{"type": []string{"string", "number"}, "pattern": `^[^\s\x00-\x1f\x7f]([^\x00-\x1f\x7f]*[^\s\x00-\x1f\x7f])?$`}
	// What a number has to satisfy, by the words of the tags: see rules.
	ruleSchemas = map[string]schema{"positive": {"exclusiveMinimum": 0}, "nonnegative": {"minimum": 0}, "nonzero": {"not": schema{"const": 0}}}
)

func listSchema(items schema) schema { return schema{"type": "array", "items": items, "minItems": 1} }

// sizedSchema is that of a number of a key and what it has to satisfy.
func sizedSchema(key, must string) schema {
	bound := sizeOf(key)
	s := with(numberSchema, with(ruleSchemas[must], schema{"maximum": bound.most}))
	switch must {
	case "positive":
		delete(s, "exclusiveMinimum")
		s["minimum"] = bound.least
	case "nonzero":
		s["not"] = schema{"exclusiveMinimum": -bound.least, "exclusiveMaximum": bound.least}
	}
	if must != "positive" && must != "nonnegative" {
		s["minimum"] = -bound.most
	}
	return s
}

func vectorSchema(key string, direction bool) schema {
	v := schema{"type": "array", "items": sizedSchema(key, ""), "minItems": 3, "maxItems": 3}
	if direction {
		v["not"] = schema{"const": []int{0, 0, 0}}
	}
	return v
}

// with adds keywords to a schema.
func with(s, more schema) schema {
	out := schema{}
	for _, from := range []schema{s, more} {
		for k, v := range from {
			out[k] = v
		}
	}
	return out
}

// mappingSchema is that of a struct that the tags of its fields declare, see
// reader.fields; of those with the given keys, nil for all. path is that of the handbook.
func mappingSchema(of reflect.Type, path string, keys []string) schema {
	heading := path
	if path == "" {
		heading = "top level"
	}
	properties, required := schema{}, []string{}
	for i := range of.NumField() {
		f := of.Field(i)
		tag, ok := f.Tag.Lookup("rig")
		words := strings.Split(tag, ",")
		if !ok || keys != nil && !slices.Contains(keys, words[0]) {
			continue
		}
		key, _, _ := strings.Cut(path, ", type")
		properties[words[0]] = described(fieldSchema(f, words, join(key, words[0])), heading, words[0])
		if !slices.Contains(words, "optional") && !slices.Contains(words, "planned") {
			required = append(required, words[0])
		}
	}
	return schema{"type": "object", "properties": properties, "required": required, "additionalProperties": false}
}

// described gives a key what the handbook says of it.
func described(s schema, heading, key string) schema {
	for _, row := range handbook.Rows("rig", heading) {
		if row[0] == key {
			text := row[3]
			if row[1] != "–" {
				text += " [" + row[1] + "]"
			}
			if row[2] != "required" {
				text += "; default: " + row[2]
			}
			return with(s, schema{"description": text})
		}
	}
	return s
}

func fieldSchema(f reflect.StructField, words []string, path string) schema {
	switch f.Type {
	case reflect.TypeFor[string](), reflect.TypeFor[int](): // an int is a channel, by its name
		return textSchema
	case reflect.TypeFor[float64]():
		return sizedSchema(words[0], words[len(words)-1])
	case reflect.TypeFor[bool]():
		return schema{"type": "boolean"}
	case reflect.TypeFor[r3.Vec](), reflect.TypeFor[*r3.Vec]():
		return vectorSchema(words[0], slices.Contains(words, "direction"))
	case reflect.TypeFor[[]r3.Vec]():
		return with(listSchema(vectorSchema(words[0], false)), schema{"minItems": 2})
	case reflect.TypeFor[[]string]():
		return listSchema(textSchema)
	}
	inner := f.Type
	for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice {
		inner = inner.Elem()
	}
	var s schema
	switch inner {
	case reflect.TypeFor[Model]():
		s = schema{"$ref": "#/$defs/model"}
	case reflect.TypeFor[Calibration]():
		s = calibrationSchema(path)
	default:
		var keys []string
		if only, ok := f.Tag.Lookup("keys"); ok {
			keys = strings.Fields(only)
		}
		s = mappingSchema(inner, path, keys)
	}
	if f.Type.Kind() == reflect.Slice {
		return listSchema(s)
	}
	return s
}

// modelSchema has a branch for each type of model.
func modelSchema() schema {
	var branches []any
	for _, kind := range modelTypes {
		branch := mappingSchema(reflect.TypeFor[Model](), "emitters.model, type "+kind, modelKeys[kind])
		branch["properties"].(schema)["type"] = schema{"const": kind}
		branches = append(branches, schema{"if": schema{"required": []string{"type"}, "properties": schema{"type": schema{"const": kind}}}, "then": branch})
	}
	return schema{"type": "object", "required": []string{"type"}, "properties": schema{"type": schema{"enum": modelTypes}}, "allOf": branches}
}

// calibrationSchema follows Calibration.read.
func calibrationSchema(path string) schema {
	properties := schema{}
	for _, key := range calibrationKeys {
		s := textSchema
		switch {
		case key == "date":
			s = schema{"type": "string", "pattern": `^\d{4}-\d{2}-\d{2}(T.+)?$`}
		case key == "parameters":
			s = listSchema(textSchema)
		case strings.HasSuffix(key, "_sha256"):
			s = schema{"type": "string", "pattern": hexSHA256.String()}
		}
		properties[key] = described(s, path, key)
	}
	needs := schema{"covariance_file": []string{"covariance_sha256", "parameters"}, "covariance_sha256": []string{"covariance_file"},
		"correction_file": []string{"correction_sha256"}, "correction_sha256": []string{"correction_file"}}
	return schema{"type": "object", "properties": properties, "required": []string{"date"}, "dependentRequired": needs, "additionalProperties": false}
}
