package rig

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/handbook"
)

// declaredKey is a key as the reader knows it.
type declaredKey struct {
	name     string
	required bool
}

// declaredKeys are those of each mapping of the file, by its path: what the reader's own
// declaration accepts.
func declaredKeys(t *testing.T) map[string][]declaredKey {
	all := map[string][]declaredKey{}
	var walk func(of reflect.Type, path string, only []string)
	walk = func(of reflect.Type, path string, only []string) {
		switch of {
		case reflect.TypeFor[Model]():
			for _, kind := range modelTypes {
				walkModel(of, path+", type "+kind, modelKeys[kind], all)
			}
			return
		case reflect.TypeFor[Calibration]():
			for _, key := range calibrationKeys {
				all[path] = append(all[path], declaredKey{key, key == "date"})
			}
			return
		}
		if _, own := reflect.New(of).Interface().(interface{ read(value) }); own {
			t.Errorf("%v reads itself: let this test know its keys", of)
		}
		for i := range of.NumField() {
			f := of.Field(i)
			tag, ok := f.Tag.Lookup("rig")
			words := strings.Split(tag, ",")
			if !ok || only != nil && !slices.Contains(only, words[0]) {
				continue
			}
			all[path] = append(all[path], declaredKey{words[0], !slices.Contains(words, "optional")})
			inner := f.Type
			for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice {
				inner = inner.Elem()
			}
			if inner.Kind() == reflect.Struct && inner != reflect.TypeFor[r3.Vec]() {
				walk(inner, join(strings.TrimPrefix(path, "top level"), words[0]), keysOf(f.Tag))
			}
		}
	}
	walk(reflect.TypeFor[Rig](), "top level", nil)
	return all
}

func walkModel(of reflect.Type, path string, keys []string, all map[string][]declaredKey) {
	for i := range of.NumField() {
		words := strings.Split(of.Field(i).Tag.Get("rig"), ",")
		if slices.Contains(keys, words[0]) {
			all[path] = append(all[path], declaredKey{words[0], !slices.Contains(words, "optional")})
		}
	}
}

func keysOf(tag reflect.StructTag) []string {
	if keys, ok := tag.Lookup("keys"); ok {
		return strings.Fields(keys)
	}
	return nil
}

// unitOfKey is the unit that a key's name states.
func unitOfKey(key string) string {
	for _, u := range [][2]string{{"_a_peak", "A"}, {"_ohm", "Ω"}, {"_m2", "m²"}, {"_m", "m"}, {"_hz", "Hz"}, {"_deg", "°"}, {"_rad", "rad"}, {"_s", "s"}, {"_v", "V"}, {"hz", "Hz"}} {
		if strings.HasSuffix(key, u[0]) {
			return u[1]
		}
	}
	return "–"
}

// The chapter on the rig file has every key that the reader accepts, with its unit
// and whether it must be there, and no other.
func TestHandbookHasEveryKey(t *testing.T) {
	declared := declaredKeys(t)
	for path, keys := range declared {
		rows := handbook.Rows("rig", path)
		if rows == nil {
			t.Errorf("help rig has no table under the heading %q", path)
			continue
		}
		told := map[string][]string{}
		for _, row := range rows {
			told[row[0]] = row
		}
		for _, key := range keys {
			row := told[key.name]
			if row == nil {
				t.Errorf("help rig, %s: the key %s is missing", path, key.name)
				continue
			}
			delete(told, key.name)
			if have := strings.HasPrefix(row[2], "required"); have != key.required {
				t.Errorf("help rig, %s: %s: default %q, required is %v", path, key.name, row[2], key.required)
			}
			if want := unitOfKey(key.name); row[1] != want {
				t.Errorf("help rig, %s: %s is in %q, its name says %q", path, key.name, row[1], want)
			}
		}
		for name := range told {
			t.Errorf("help rig, %s: no reader knows the key %s", path, name)
		}
	}
	for _, heading := range handbook.Headings("rig") {
		if _, known := declared[heading]; !known && handbook.Rows("rig", heading) != nil && strings.Contains(heading, ".") {
			t.Errorf("help rig: no mapping %s in a rig file", heading)
		}
	}
}

// The chapter's example is a rig file that the reader takes, and so it is with each of
// the parts shown.
func TestHandbookExamplesAreRead(t *testing.T) {
	text, err := handbook.Text("rig")
	if err != nil {
		t.Fatal(err)
	}
	whole, parts := "", []string{""}
	for _, block := range strings.Split(text, "```yaml\n")[1:] {
		example, _, _ := strings.Cut(block, "```")
		if strings.HasPrefix(example, "name:") {
			whole = example
		} else {
			parts = append(parts, example)
		}
	}
	for _, part := range parts {
		if _, err := Parse("help rig", []byte(whole+part), Options{}); err != nil {
			t.Errorf("%s\n%v", part, err)
		}
	}
}
