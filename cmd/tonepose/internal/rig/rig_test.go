package rig

import (
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

const rigs = "../../../../testdata/rigs"

func load(t *testing.T, name string) *Rig {
	t.Helper()
	rg, err := Load(filepath.Join(rigs, name), Options{AllowMissingTones: name == "ring-to-plan.rig.yaml"})
	if err != nil {
		t.Fatal(err)
	}
	return rg
}

func TestPipeBench(t *testing.T) {
	rg := load(t, "pipe-bench.rig.yaml")
	if rg.Name != "pipe-bench" || rg.SampleRateHz != 100e3 || len(rg.Channels) != 4 || len(rg.Emitters) != 8 || len(rg.Sensors) != 1 {
		t.Errorf("read %+v", rg)
	}
	if e := rg.Emitters[7]; e.ToneHz != 14925 || e.Model.Turns != 40 || e.Model.CenterM.Z != -0.005909811 || e.Reference.Channel != 3 {
		t.Errorf("e8 is %+v", e)
	}
}

func TestExamplesLoad(t *testing.T) {
	names, err := filepath.Glob(filepath.Join(rigs, "*.rig.yaml"))
	if err != nil || len(names) < 5 {
		t.Fatalf("found %d rigs, %v", len(names), err)
	}
	for _, name := range names {
		_, err := Load(name, Options{})
		if unplanned := filepath.Base(name) == "ring-to-plan.rig.yaml"; (err != nil) != unplanned {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := Load(name, Options{AllowMissingTones: true}); err != nil {
			t.Error(err)
		}
	}
}

// Every kind of value, through anchors and merges too.
func TestSquareBench(t *testing.T) {
	rg := load(t, "square-bench.rig.yaml")
	if c := rg.Channels[1]; c.Name != "rx2" || c.Gain != 100 || c.DelayS != 1.5e-6 || c.Tolerance != (Tolerance{Gain: 0.01, DelayS: 1e-7}) {
		t.Errorf("rx2 is %+v", c)
	}
	if c := rg.Channels[3]; len(c.Table) != 4 || c.Table[2] != (ResponsePoint{20e3, 990, -17.5}) || c.Gain != 1 {
		t.Errorf("needle's channel is %+v", c)
	}
	if m := rg.Emitters[1].Model; m.Type != "rectangle" || m.CenterM != (r3.Vec{X: -0.12, Y: 0.12}) || m.WidthM != 0.08 || m.Turns != 5 || m.Axis.X != -0.3 {
		t.Errorf("board2 is %+v", m)
	}
	if m := rg.Emitters[2].Model; len(m.PointsM) != 4 || !m.Closed || m.Turns != 4.5 || m.PointsM[1] != (r3.Vec{X: -0.08, Y: -0.15, Z: 0.01}) {
		t.Errorf("board3 is %+v", m)
	}
	if m := rg.Emitters[3].Model; len(m.Parts) != 2 || m.Parts[0].OuterRadiusM != 0.026 || m.Parts[1].MomentM2.Z != 0.05 {
		t.Errorf("board4 is %+v", m)
	}
	if e := rg.Emitters[3]; rg.Channels[e.Reference.Channel].Name != "drive4" || e.Reference.TransimpedanceOhm != 1 {
		t.Errorf("board4 is driven by %+v", e.Reference)
	}
	if e := rg.Emitters[0]; e.Tolerance != (Tolerance{CenterM: 1e-3, AxisRad: 0.01, Strength: 0.02}) {
		t.Errorf("board1's tolerance is %+v", e.Tolerance)
	}
	if s := rg.Sensors[0]; s.TipM == nil || s.TipM.Z != 0.03 || len(s.Coils) != 3 || s.Coils[0].CenterM != (r3.Vec{X: 4e-3, Z: 1e-3}) || s.Coils[0].Tolerance.Sensitivity != 0.03 {
		t.Errorf("probe is %+v", s)
	}
	if s := rg.Sensors[1]; s.TipM != nil || rg.Channels[s.Coils[0].Channel].Name != "needle" || s.Coils[0].RadiusM != 0 {
		t.Errorf("needle is %+v", s)
	}
}

// The numbers of the YAML 1.2 core schema (YAML 1.2.2, section 10.3.2) in base
// ten, its examples 2.19 and 2.20 among them.
func TestNumbersOfTheCoreSchema(t *testing.T) {
	for text, want := range map[string]float64{
		"12345": 12345, "+12345": 12345, "1.23015e+3": 1230.15, "12.3015e+02": 1230.15, "1230.15": 1230.15,
		"1e3": 1000, "1.5e-6": 1.5e-6, "1.": 1, ".5": 0.5, "+.5": 0.5, "0.": 0, "12e03": 12000, "5E4": 5e4,
	} {
		if !decimal.MatchString(text) {
			t.Errorf("%s is refused", text)
		}
		rg := parse(t, strings.Replace(bench, "tip_m: [0, 0, 0.02]", "tip_m: [0, 0, "+text+"]", 1))
		if got := rg.Sensors[0].TipM.Z; got != want {
			t.Errorf("%s reads as %g", text, got)
		}
	}
}

func TestSHA256OfText(t *testing.T) {
	// By sha256sum of GNU coreutils, over the file as it stands.
	want := "9dccf81e695ecdc50323ae402bbb4b5b12ee55214089d6ab03b79a69a72870d7"
	rg := load(t, "pipe-bench.rig.yaml")
	if rg.SHA256 != want {
		t.Errorf("sha256 %s, want %s", rg.SHA256, want)
	}
}

// A key that is listed for a model type or a tolerance but has no field would be
// accepted and dropped.
func TestListedKeysHaveFields(t *testing.T) {
	tagged := func(of reflect.Type) (keys []string) {
		for i := range of.NumField() {
			keys = append(keys, strings.Split(of.Field(i).Tag.Get("rig"), ",")[0])
		}
		return keys
	}
	for _, kind := range modelTypes {
		for _, key := range modelKeys[kind] {
			if !slices.Contains(tagged(reflect.TypeFor[Model]()), key) {
				t.Errorf("%s: no field of Model for %s", kind, key)
			}
		}
	}
	for _, owner := range []reflect.Type{reflect.TypeFor[Channel](), reflect.TypeFor[Emitter](), reflect.TypeFor[Coil]()} {
		f, _ := owner.FieldByName("Tolerance")
		keys := strings.Fields(f.Tag.Get("keys"))
		if len(keys) == 0 {
			t.Errorf("%v: its tolerance has no keys", owner)
		}
		for _, key := range keys {
			if !slices.Contains(tagged(reflect.TypeFor[Tolerance]()), key) {
				t.Errorf("%v: no field of Tolerance for %s", owner, key)
			}
		}
	}
}
