package rig

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"tonepose/cmd/tonepose/internal/yamltree"
)

func compiledSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	text, err := Schema()
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("rig.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("rig.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// loose is a tree as an editor has it: scalars by the core schema of YAML 1.2 (section
// 10.3.2), where 2e-6 is a number.
func loose(n *yamltree.Node) any {
	switch {
	case n.Kind == yamltree.List:
		items := []any{}
		for _, item := range n.Items {
			items = append(items, loose(item))
		}
		return items
	case n.Kind == yamltree.Mapping:
		keys := map[string]any{}
		for _, e := range n.Entries {
			keys[e.Key] = loose(e.Value)
		}
		return keys
	case n.Null:
		return nil
	case n.Plain && notText.MatchString(n.Text):
		return strings.EqualFold(n.Text, "true")
	case n.Plain && decimal.MatchString(n.Text):
		x, err := strconv.ParseFloat(n.Text, 64)
		if err != nil {
			return json.Number(n.Text) // beyond doubles, which JSON is not
		}
		return x
	}
	return n.Text
}

// relations are messages about several values together, which no schema can express.
var relations = []string{"must exceed", "already", "is not a channel", "under half", "stands beside", "must cover", "repeats", "parallel", "at least 3 points", "is the channel of", "must be finite",
	"must be at most", "a channel carries", "must be within", "nests deeper", "nest deeper", "stands twice", "covariance", "must be host and port", "must be a query", "is no type of samples"}

func structural(err error) (yes bool) {
	var all Errors
	if !errors.As(err, &all) {
		return false
	}
	for _, e := range all {
		if !slices.ContainsFunc(relations, func(r string) bool { return strings.Contains(e.Message, r) }) {
			return true
		}
	}
	return false
}

// The schema takes what the reader takes and refuses what it refuses, but for relations,
// on every example, on every bad file of these tests, and on each value of a full rig
// replaced by other kinds, left out, or given a neighbour that is not known.
func TestSchemaAgreesWithTheReader(t *testing.T) {
	s := compiledSchema(t)
	good, bad := 0, 0
	try := func(name, text string) {
		_, err := Parse(name, []byte(text), Options{AllowMissingTones: true})
		root, perr := parseTree(name, rigKind, []byte(text))
		if perr != nil {
			return // no YAML to an editor either
		}
		refused := s.Validate(loose(root))
		switch {
		case err == nil && refused != nil:
			t.Errorf("%s: the reader takes what the schema refuses: %v", name, refused)
		case err != nil && structural(err) && refused == nil:
			t.Errorf("%s: the schema takes what the reader refuses: %v", name, err)
		case err == nil:
			good++
		case refused != nil:
			bad++
		}
	}
	examples, err := filepath.Glob(rigs + "/*.rig.yaml")
	if err != nil || len(examples) == 0 {
		t.Fatal(err)
	}
	for _, name := range examples {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		try(name, string(text))
	}
	try("bench", bench)
	for _, c := range badFiles {
		try(fmt.Sprintf("%q for %q", c.new, c.old), strings.Replace(bench, c.old, c.new, 1))
	}
	const whole = bench + `source: {address: "192.0.2.7:5025", block: "READ?", format: ri16_le, start: ["GO"], joined: true, timeout_s: 3}
calibration: {date: "2026-03-01", reference_sha256: "` + "%s" + `"}
`
	root, perr := parseTree("whole", rigKind, []byte(fmt.Sprintf(whole, strings.Repeat("0a", 32))))
	if perr != nil {
		t.Fatal(perr)
	}
	tree := loose(root)
	visit(tree, "", func(path string) {
		text, err := json.Marshal(tree)
		if err != nil {
			t.Fatal(err)
		}
		try(path, string(text)) // JSON is YAML
	})
	t.Logf("agree on %d good and %d bad files", good, bad)
	if good < 40 || bad < 400 {
		t.Errorf("only %d good and %d bad files", good, bad)
	}
}

// visit calls each with every value of a tree replaced in turn by other kinds, and every
// key left out or joined by an unknown one.
func visit(tree any, path string, each func(string)) {
	swap := func(at string, old any, set func(any)) {
		for _, other := range []any{-1.5, 0.0, "x", " x", true, []any{}, []any{1.0, 2.0, 3.0}, map[string]any{}} {
			set(other)
			each(fmt.Sprintf("%s = %v", at, other))
		}
		set(old)
		visit(old, at, each)
	}
	switch v := tree.(type) {
	case map[string]any:
		for key, old := range v {
			swap(join(path, key), old, func(x any) { v[key] = x })
			delete(v, key)
			each(join(path, key) + " left out")
			v[key] = old
		}
		v["unknown_key"] = 1.0
		each(path + ".unknown_key")
		delete(v, "unknown_key")
	case []any:
		for i, old := range v {
			swap(index(path, i), old, func(x any) { v[i] = x })
		}
	}
}
