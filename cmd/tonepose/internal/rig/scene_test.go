package rig

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/fieldmodels/metal"
)

// scene has every key once; every case of TestBadScenes breaks it in one place.
const scene = `metal:
- {name: ball, shape: ball, center_m: [0.2, 0, 0.2], radius_m: 0.02, material: aluminium, absent: true}
- {name: plate, shape: plate, point_m: [0, 0, -0.1], normal: [0, 0, 1], thickness_m: 0.003, conductivity_s_per_m: 1e7, permeability: 20}
events:
- {time_s: 1, emitter: e2, drive: 0}
- {time_s: 1.5, emitter: e2, away: true}
- {time_s: 2, channel: rx2, leads: reversed}
- {time_s: 3, sensor: needle, position_m: [0, 0.1, 0.2], rotation_rad: [0, 0, 1.5], within_s: 0.2}
- {time_s: 4, sensor: needle, path: true}
- {time_s: 5, metal: ball, present: true}
- {time_s: 6, metal: ball, center_m: [0.1, 0, 0.2], within_s: 1}
- {time_s: 7, noise_v_per_rthz: 2e-8}
- {time_s: 8, mains_v: 0}
- {time_s: 9, clock_ppm: -30}
`

func sceneRig(t *testing.T) *Rig {
	t.Helper()
	rg, err := Parse("bench.rig.yaml", []byte(bench), Options{})
	if err != nil {
		t.Fatal(err)
	}
	return rg
}

func TestScene(t *testing.T) {
	s, err := ParseScene("s.yaml", []byte(scene), sceneRig(t))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []Metal{
		{Name: "ball", Shape: "ball", CenterM: r3.Vec{X: 0.2, Z: 0.2}, RadiusM: 0.02, Absent: true, Material: metal.Materials["aluminium"]},
		{Name: "plate", Shape: "plate", PointM: r3.Vec{Z: -0.1}, Normal: r3.Vec{Z: 1}, ThicknessM: 0.003, Material: metal.Material{Conductivity: 1e7, Permeability: 20}},
	} {
		if s.Metal[i] != want {
			t.Errorf("metal %d is %+v, want %+v", i, s.Metal[i], want)
		}
	}
	for i, want := range []Event{
		{TimeS: 1, About: "emitter", Index: 1, Key: "drive"},
		{TimeS: 1.5, About: "emitter", Index: 1, Key: "away", On: true},
		{TimeS: 2, About: "channel", Index: 1, Key: "leads", Number: -1},
		{TimeS: 3, About: "sensor", Index: 1, Key: "position_m", PlaceM: r3.Vec{Y: 0.1, Z: 0.2}, RotationRad: r3.Vec{Z: 1.5}, WithinS: 0.2},
		{TimeS: 4, About: "sensor", Index: 1, Key: "path", On: true},
		{TimeS: 5, About: "metal", Key: "present", On: true},
		{TimeS: 6, About: "metal", Key: "center_m", PlaceM: r3.Vec{X: 0.1, Z: 0.2}, WithinS: 1},
		{TimeS: 7, Key: "noise_v_per_rthz", Number: 2e-8},
		{TimeS: 8, Key: "mains_v"},
		{TimeS: 9, Key: "clock_ppm", Number: -30},
	} {
		if s.Events[i] != want {
			t.Errorf("event %d is %+v, want %+v", i, s.Events[i], want)
		}
	}
}

func TestBadScenes(t *testing.T) {
	rg := sceneRig(t)
	for _, c := range []struct{ old, new, want, hint string }{
		{scene, "# nothing yet\n", "s.yaml: is empty", "a scene begins with metal or events"},
		{"shape: ball, ", "", "s.yaml:2: metal[0].shape: is missing", "ball, plate"},
		{"shape: ball", "shape: cube", "s.yaml:2: metal[0].shape = cube: is not a shape", "ball, plate"},
		{"radius_m: 0.02", "radius_mm: 20", "s.yaml:2: metal[0].radius_mm = 20: unknown key", "radius_m: 0.02"},
		{"radius_m: 0.02", "radius_m: -1", "s.yaml:2: metal[0].radius_m = -1: must be positive", "in metres"},
		{"aluminium", "aluminum", "s.yaml:2: metal[0].material = aluminum: is not a material", "aluminium, brass, copper"},
		{"material: aluminium, ", "", "s.yaml:2: metal[0].material: is missing", "conductivity_s_per_m"},
		{"material: aluminium", "material: aluminium, conductivity_s_per_m: 1", "s.yaml:2: metal[0].material = aluminium: stands beside conductivity_s_per_m", "the one or the other"},
		{"permeability: 20", "permeability: 0.5", "s.yaml:3: metal[1].permeability = 0.5: must be 1 or more", "relative"},
		{"permeability: 20", "absent: maybe", "s.yaml:3: metal[1].absent = maybe: must be true or false", ""},
		{"name: plate", "name: ball", "s.yaml:3: metal[1].name = ball: is already used in line 2", "differ"},
		{"normal: [0, 0, 1]", "normal: [0, 0, 0]", "s.yaml:3: metal[1].normal = [0, 0, 0]: must not be the zero vector", "direction"},
		{"emitter: e2, drive: 0", "emitter: e9, drive: 0", "s.yaml:5: events[0].emitter = e9: is not known here", "e1, e2"},
		{"emitter: e2, drive: 0", "emitter: e2", "s.yaml:5: events[0]: nothing changes", "drive, away"},
		{"emitter: e2, drive: 0", "emitter: e2, drive: 0, away: true", "s.yaml:5: events[0].away = true: stands beside drive", "its own"},
		{"emitter: e2, drive: 0", "emitter: e2, leads: plugged", "s.yaml:5: events[0].leads = plugged: unknown key", ""},
		{"time_s: 1, ", "", "s.yaml:5: events[0].time_s: is missing", "seconds"},
		{"time_s: 1, ", "time_s: -1, ", "s.yaml:5: events[0].time_s = -1: must not be negative", "seconds"},
		{"reversed", "twisted", "s.yaml:7: events[2].leads = twisted: is not what leads can be", "plugged, reversed, unplugged"},
		{"within_s: 0.2", "within_s: 1e-4", "s.yaml:8: events[3].within_s = 1e-4: must be at least 0.001", ""},
		{"path: true", "path: false", "s.yaml:9: events[4].path = false: must be true", "position_m"},
		{"metal: ball, center_m", "metal: plate, center_m", "s.yaml:11: events[6].center_m = [0.1, 0, 0.2]: a plate is not carried", ""},
		{"noise_v_per_rthz: 2e-8", "noise_v_per_rthz: -1", "s.yaml:12: events[7].noise_v_per_rthz = -1: must not be negative", "root hertz"},
		{"clock_ppm: -30", "clock_ppm: slow", "s.yaml:14: events[9].clock_ppm = slow: must be a number", ""},
		{"events:\n", "happens:\n", "s.yaml:4: happens: unknown key", "events"},
	} {
		_, err := ParseScene("s.yaml", []byte(strings.Replace(scene, c.old, c.new, 1)), rg)
		var first *Error
		if !errors.As(err, &first) {
			t.Errorf("%s: taken", c.new)
			continue
		}
		if first.Error() != c.want || !strings.Contains(first.Hint, c.hint) {
			t.Errorf("%s:\ngot  %s (%s)\nwant %s (%s)", c.new, first, first.Hint, c.want, c.hint)
		}
	}
}

// No text makes the reader of scenes fail otherwise than by an error.
func FuzzScene(f *testing.F) {
	rg, err := Parse("bench.rig.yaml", []byte(bench), Options{})
	if err != nil {
		f.Fatal(err)
	}
	f.Add([]byte(scene))
	f.Add([]byte("metal:\n- 3\nevents: {}\n"))
	f.Add([]byte("events:\n- {metal: x, center_m: [1, 2]}\n- emitter\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := ParseScene("s.yaml", text, rg)
		if (s == nil) == (err == nil) {
			t.Errorf("scene %v, error %v", s, err)
		}
	})
}

// The chapter on scenes has every key, and its example is one.
func TestSceneIsInTheHandbook(t *testing.T) {
	told := map[string]bool{}
	for _, row := range handbook.Rows("scene", "metal") {
		told["metal "+row[0]] = true
	}
	for _, row := range handbook.Rows("scene", "events") {
		about := row[0]
		if about == "–" {
			about = ""
		}
		told[about+" "+row[1]] = true
	}
	read := map[string]bool{}
	for _, keys := range shapeKeys {
		for _, key := range keys {
			read["metal "+key] = true
		}
	}
	for about, keys := range eventKeys {
		for _, key := range keys {
			read[about+" "+key] = true
		}
	}
	if d := cmp.Diff(read, told); d != "" {
		t.Errorf("keys that are read (-) and told (+):\n%s", d)
	}
	text, err := handbook.Text("scene")
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"time_s", "rotation_rad", "within_s"} {
		if !strings.Contains(text, "`"+key+"`") {
			t.Errorf("%s is not told", key)
		}
	}
	_, example, _ := strings.Cut(text, "```yaml\n")
	example, _, _ = strings.Cut(example, "```")
	if s, err := ParseScene("example", []byte(example), sceneRig(t)); err != nil || len(s.Metal) != 2 || len(s.Events) != 4 {
		t.Errorf("the example gives %+v, %v", s, err)
	}
}
