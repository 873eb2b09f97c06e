package present

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment"
)

func encoded(t *testing.T, v any) string {
	t.Helper()
	var b bytes.Buffer
	if err := JSON(&b, v); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

type inner struct {
	Shared string `json:"shared"`
	hidden float64
}

type everything struct {
	inner
	*time.Location `json:"-"`
	Name           string             `json:"name"`
	Plain          int                // named as the field is
	Skipped        float64            `json:"-"`
	Left           string             `json:"left,omitempty"`
	Kept           *float64           `json:"kept"`
	Gone           *float64           `json:"gone,omitempty"`
	Numbers        []float64          `json:"numbers"`
	Matrix         [2][2]float64      `json:"matrix"`
	Words          []string           `json:"words"`
	Objects        []inner            `json:"objects"`
	Map            map[string]float64 `json:"map"`
	Time           time.Time          `json:"time"`
	Any            any                `json:"any"`
	Small, Large   float64
}

// Where nothing is special the values are those of encoding/json.
func TestJSONAgreesWithEncodingJSON(t *testing.T) {
	v := everything{inner: inner{"<&>", 1}, Name: "µ", Numbers: []float64{1, -0.1, 1e300}, Matrix: [2][2]float64{{1, 2}, {3, 4}}, Words: []string{"a", "b\n"},
		Objects: []inner{{"x", 0}, {"y", 0}}, Map: map[string]float64{"b": 1, "a": 2}, Time: time.Unix(1e9, 5).UTC(), Any: &inner{"z", 0}, Small: 1e-12, Large: 1e22}
	plain, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var want, have any
	if err := json.Unmarshal(plain, &want); err != nil {
		t.Fatal(err)
	}
	text := encoded(t, v)
	if err := json.Unmarshal([]byte(text), &have); err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	if !reflect.DeepEqual(have, want) {
		t.Errorf("have %v\nwant %v", have, want)
	}
	if strings.Index(text, `"name"`) > strings.Index(text, `"matrix"`) || !strings.Contains(text, "<&>") || !strings.Contains(text, "[1, -0.1, 1e+300]") {
		t.Errorf("fields out of order, signs escaped, or numbers apart:\n%s", text)
	}
}

func TestJSONHasNullForNoNumber(t *testing.T) {
	nan := math.NaN()
	v := struct {
		A float64            `json:"a"`
		B []float64          `json:"b"`
		C [2]*float64        `json:"c"`
		D map[string]any     `json:"d"`
		E any                `json:"e"`
		F []struct{}         `json:"f"`
		G *struct{}          `json:"g"`
		H struct{ X r3.Vec } `json:"h"`
	}{nan, []float64{1, math.Inf(1), math.Inf(-1)}, [2]*float64{&nan, nil}, map[string]any{"x": nan}, nan, nil, nil, struct{ X r3.Vec }{r3.Vec{X: nan, Z: 1}}}
	want := `{
  "a": null,
  "b": [1, null, null],
  "c": [null, null],
  "d": {
    "x": null
  },
  "e": null,
  "f": [],
  "g": null,
  "h": {
    "X": [null, 0, 1]
  }
}
`
	if have := encoded(t, v); have != want {
		t.Errorf("have %s\nwant %s", have, want)
	}
}

// A pose looks the same wherever it stands, and so does an interval.
func TestJSONHasOneShapeForAPose(t *testing.T) {
	p := rigid.Pose{Position: r3.Vec{X: 0.1, Y: -0.2, Z: 0.3}, Rotation: quat.Number{Real: 0.5, Imag: -0.5, Jmag: 0.5, Kmag: 0.5}}
	const want = `{
  "position_m": [0.1, -0.2, 0.3],
  "quaternion": [0.5, -0.5, 0.5, 0.5]
}
`
	for _, v := range []any{p, &p, PoseOf(p)} {
		if have := encoded(t, v); have != want {
			t.Errorf("%T: %s", v, have)
		}
	}
	if PoseOf(p).Rigid() != p {
		t.Errorf("%v became %v", p, PoseOf(p).Rigid())
	}
	var back Pose
	text := encoded(t, PoseOf(p).With(&[6]float64{1, 2, 3, 4, 5, 6}))
	if err := json.Unmarshal([]byte(text), &back); err != nil || *back.SigmaPosition != [3]float64{1, 2, 3} || *back.SigmaRotation != [3]float64{4, 5, 6} || back.Rigid() != p {
		t.Errorf("%s: %v", text, err)
	}
	if have := encoded(t, assessment.Interval{Lo: 1, Hi: math.NaN()}); have != "{\n  \"low\": 1,\n  \"high\": null\n}\n" {
		t.Errorf("interval %s", have)
	}
}

// A terminal obeys DEL and the controls of ISO 6429's C1 set, as U+009B that begins a sequence; JSON
// need not escape them (RFC 8259, 7), and reads the same with them escaped.
func TestJSONEscapesAllControls(t *testing.T) {
	const name = "a\u007f\u0080\u009b31m\u009f\u00a0é\n"
	text := encoded(t, map[string]string{name: name})
	for _, c := range text {
		if c >= 0x7f && c < 0xa0 {
			t.Errorf("%U is in %q", c, text)
		}
	}
	var back map[string]string
	if err := json.Unmarshal([]byte(text), &back); err != nil || back[name] != name {
		t.Errorf("%q reads as %q: %v", text, back, err)
	}
}
