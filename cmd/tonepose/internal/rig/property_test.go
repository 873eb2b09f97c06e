package rig

import (
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"
)

var movable = regexp.MustCompile(`(gain|delay_s|turns|center_m|axis|area_turns_m2|points_m\[[0-9]+\]|transimpedance_ohm|strength)$`)

// Any set of new numbers in any rig of testdata reads back as set, every other
// value as before, and all comments stay in their order. (Text itself compares
// the values; here they are taken from the Rig.)
func TestAnyChangeReadsBack(t *testing.T) {
	names, _ := filepath.Glob(filepath.Join(rigs, "*.rig.yaml"))
	comment := regexp.MustCompile(`#.*`)
	rapid.Check(t, func(t *rapid.T) {
		rg, err := Load(rapid.SampledFrom(names).Draw(t, "rig"), Options{AllowMissingTones: true})
		if err != nil {
			t.Fatal(err)
		}
		var paths []string
		for path := range maps.Keys(flatten(rg.root)) {
			if movable.MatchString(path) {
				paths = append(paths, path)
			}
		}
		slices.Sort(paths)
		positive := rapid.Float64Range(1e-9, 1e9)
		e := rg.Edit()
		for _, path := range rapid.SliceOfNDistinct(rapid.SampledFrom(paths), 1, 12, rapid.ID).Draw(t, "paths") {
			if flatten(rg.root)[path][0] == '[' {
				e.SetVector(path, r3.Vec{X: positive.Draw(t, "x"), Y: -positive.Draw(t, "y"), Z: positive.Draw(t, "z")})
			} else {
				e.SetNumber(path, positive.Draw(t, "value"))
			}
		}
		text, err := e.Text()
		if err != nil {
			// A random axis may come to lie along width_axis.
			if strings.Contains(err.Error(), "must not be parallel") {
				t.Skip(err)
			}
			t.Fatal(err)
		}
		if !slices.Equal(comment.FindAllString(string(rg.Text), -1), comment.FindAllString(string(text), -1)) {
			t.Fatalf("comments differ:\n%s", text)
		}
		back, err := Parse("b.yaml", text, Options{AllowMissingTones: true})
		if err != nil {
			t.Fatal(err)
		}
		want := flatten(rg.root)
		maps.Copy(want, e.want)
		if d := differences(want, flatten(back.root)); len(d) > 0 {
			t.Fatalf("differ: %v", d)
		}
	})
}

// A key whose value somebody forgot, or wrote as null, is an error that says so, wherever it
// stands, with the others of the file.
func TestForgottenValues(t *testing.T) {
	valued := regexp.MustCompile(`([a-z_0-9]+):( *)(\[[^\[\]]*\]|[^ ,{}\[\]\n]+)`)
	tried := 0
	try := func(name string, text []byte, parse func([]byte) error) {
		done := map[string]bool{}
		for _, m := range valued.FindAllSubmatchIndex(text, -1) {
			key := string(text[m[2]:m[3]])
			if done[key] && name != "scene" { // there a key may be of several kinds of events
				continue
			}
			done[key] = true
			for _, nothing := range []string{"", " null"} {
				changed := slices.Concat(text[:m[3]], []byte(":"+nothing), text[m[7]:])
				if parse(changed) == nil {
					t.Errorf("%s: %s:%s is taken, of %s", name, key, nothing, text[m[0]:m[1]])
				}
				tried++
			}
		}
	}
	files, err := filepath.Glob(filepath.Join(rigs, "*.rig.yaml"))
	if err != nil || len(files) == 0 {
		t.Fatal(err, files)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		try(file, regexp.MustCompile(`(?m)#.*$`).ReplaceAll(text, nil), func(text []byte) error {
			_, err := Parse(file, text, Options{AllowMissingTones: true})
			return err
		})
	}
	rg, err := Parse("bench.rig.yaml", []byte(bench), Options{})
	if err != nil {
		t.Fatal(err)
	}
	try("scene", []byte(scene), func(text []byte) error {
		_, err := ParseScene("s.yaml", text, rg)
		return err
	})
	t.Logf("%d values taken away", tried)
}
