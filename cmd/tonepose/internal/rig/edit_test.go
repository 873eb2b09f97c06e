package rig

import (
	"math"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

func parse(t *testing.T, text string) *Rig {
	t.Helper()
	rg, err := Parse("bench.rig.yaml", []byte(text), Options{})
	if err != nil {
		t.Fatal(err)
	}
	return rg
}

// changed applies edits and returns the text.
func changed(t *testing.T, rg *Rig, edits func(*Edit)) string {
	t.Helper()
	e := rg.Edit()
	edits(e)
	text, err := e.Text()
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func TestNoChangeNoDifference(t *testing.T) {
	names, _ := filepath.Glob(filepath.Join(rigs, "*.rig.yaml"))
	for _, name := range names {
		rg := load(t, filepath.Base(name))
		got := changed(t, rg, func(e *Edit) {
			for i := range rg.Emitters {
				e.MoveEmitter(i, r3.Vec{}, r3.Vec{}, 1)
			}
			e.SetNumber("sample_rate_hz", rg.SampleRateHz)
		})
		if got != string(rg.Text) {
			t.Errorf("%s: the null change altered the text:\n%s", name, cmp.Diff(string(rg.Text), got))
		}
	}
}

// Every form a value can have in the text, the expected text written by hand.
func TestEditChangesOnlyTheValues(t *testing.T) {
	const before = `# Bench, invented data.   Trailing blanks stay:   
name: bench
sample_rate_hz: 1e5   # hertz
working_volume: {min_m: [-0.2, -0.2, 0.03], max_m: [0.2, 0.2, 0.4]}
channels:
- {name: rx1, full_scale_v: 2.5, gain: 100.0 , delay_s: 1.5e-6} # µV → V
- {name: rx2}
- name: drive   # shared

emitters:
- name: e1
  tone_hz: 5125
  current_a_peak: 0.5
  reference: {channel: drive, transimpedance_ohm: 0.5}
  model:
    type: loop
    center_m: [0.2,0,   -0.0074]   # measured
    axis:
    - 0      # x
    - 0      # y
    - 1      # z
    radius_m: 0.035
    turns: 40
sensors:
- name: probe
  coils:
  - {channel: rx1, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 0.004}
  - channel: rx2
    # the second coil
    center_m: [0, 0, 0]
    axis: [0, 0, 1]
    area_turns_m2: +4.0E-3
`
	const after = `# Bench, invented data.   Trailing blanks stay:   
name: bench
sample_rate_hz: 1e5   # hertz
working_volume: {min_m: [-0.2, -0.2, 0.03], max_m: [0.2, 0.2, 0.4]}
channels:
- {name: rx1, full_scale_v: 2.5, gain: 101.25 , delay_s: 2e-06} # µV → V
- {name: rx2, gain: 0.99}
- gain: 1.5
  name: drive   # shared

emitters:
- name: e1
  tone_hz: 5125
  current_a_peak: 0.5
  reference: {channel: drive, transimpedance_ohm: 0.5}
  model:
    type: loop
    center_m: [0.201,0,   -0.0074]   # measured
    axis:
    - 0      # x
    - -0.1      # y
    - 1      # z
    radius_m: 0.035
    turns: 40.5
sensors:
- name: probe
  coils:
  - {channel: rx1, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 0.0041}
  - channel: rx2
    radius_m: 0.003
    # the second coil
    center_m: [0, 0, 0.001]
    axis: [0, 0, 1]
    area_turns_m2: 0.0039
`
	for _, newline := range []string{"\n", "\r\n"} {
		for _, mark := range []string{"", "\ufeff"} {
			dress := func(s string) string { return mark + strings.ReplaceAll(s, "\n", newline) }
			got := changed(t, parse(t, dress(before)), func(e *Edit) {
				e.SetNumber("channels[0].gain", 101.25)
				e.SetNumber("channels[0].delay_s", 2e-6)
				e.SetNumber("channels[1].gain", 0.99)
				e.SetNumber("channels[2].gain", 1.5)
				e.SetVector("emitters[0].model.center_m", r3.Vec{X: 0.201, Z: -0.0074})
				e.SetVector("emitters[0].model.axis", r3.Vec{Y: -0.1, Z: 1})
				e.SetNumber("emitters[0].model.turns", 40.5)
				e.SetNumber("sensors[0].coils[0].area_turns_m2", 0.0041)
				e.SetNumber("sensors[0].coils[1].radius_m", 0.003)
				e.SetVector("sensors[0].coils[1].center_m", r3.Vec{Z: 0.001})
				e.SetNumber("sensors[0].coils[1].area_turns_m2", 0.0039)
			})
			if d := cmp.Diff(dress(after), got); d != "" {
				t.Errorf("newline %q, mark %q (-want +got):\n%s", newline, mark, d)
			}
		}
	}
}

// What an anchor shares is written out where it must stay as it was.
func TestEditBehindAnchors(t *testing.T) {
	const before = `name: bench
sample_rate_hz: 1e5
working_volume: {min_m: [-0.2, -0.2, 0.03], max_m: [0.2, 0.2, 0.4]}
channels:
- &rx {name: rx1, gain: 100}
- {<<: *rx, name: rx2}
- {<<: *rx, name: rx3}
emitters:
- name: e1
  tone_hz: 5125
  current_a_peak: 0.5
  model: &loop
    type: loop
    center_m: [0.2, 0, 0]
    axis: &up [0, 0, 1]
    radius_m: 0.035
    turns: 40
- name: e2
  tone_hz: 6125
  current_a_peak: 0.5
  model:
    <<: *loop
    center_m: [-0.2, 0, 0] # the other side
sensors:
- name: probe
  coils:
  - {channel: rx1, center_m: [0, 0, 0], axis: *up, area_turns_m2: 0.004}
  - {channel: rx2, center_m: [0, 0, 0], axis: *up, area_turns_m2: 0.004}
`
	const after = `name: bench
sample_rate_hz: 1e5
working_volume: {min_m: [-0.2, -0.2, 0.03], max_m: [0.2, 0.2, 0.4]}
channels:
- &rx {name: rx1, gain: 101}
- {<<: *rx, name: rx2, gain: 99}
- {<<: *rx, name: rx3, gain: 100}
emitters:
- name: e1
  tone_hz: 5125
  current_a_peak: 0.5
  model: &loop
    type: loop
    center_m: [0.2, 0, 0]
    axis: &up [0.1, 0, 1]
    radius_m: 0.035
    turns: 41
- name: e2
  tone_hz: 6125
  current_a_peak: 0.5
  model:
    <<: *loop
    axis: [0, 0, 1]
    turns: 40
    center_m: [-0.2, 0, 0] # the other side
sensors:
- name: probe
  coils:
  - {channel: rx1, center_m: [0, 0, 0], axis: [0, 0.2, 1], area_turns_m2: 0.004}
  - {channel: rx2, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 0.004}
`
	got := changed(t, parse(t, before), func(e *Edit) {
		e.SetNumber("channels[0].gain", 101)
		e.SetNumber("channels[1].gain", 99)
		e.SetVector("emitters[0].model.axis", r3.Vec{X: 0.1, Z: 1})
		e.SetNumber("emitters[0].model.turns", 41)
		e.SetVector("sensors[0].coils[0].axis", r3.Vec{Y: 0.2, Z: 1})
	})
	if d := cmp.Diff(strings.Split(after, "\n"), strings.Split(got, "\n")); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

var anyNumber = regexp.MustCompile(`[-+]?[0-9]*\.?[0-9]+([eE][-+]?[0-9]+)?`)

// Where every value already has its place, a calibration changes numbers only,
// and they read back exactly.
func TestCalibratedPipeBenchKeepsItsText(t *testing.T) {
	rg := load(t, "pipe-bench.rig.yaml")
	shift, tilt := r3.Vec{X: 1e-3, Y: -2e-4, Z: 1.0 / 3000}, r3.Vec{X: 0.02, Y: 0.01, Z: -0.03}
	text := changed(t, rg, func(e *Edit) {
		for i := range rg.Emitters {
			e.MoveEmitter(i, shift, tilt, 1.02)
		}
	})
	if blank(text) != blank(string(rg.Text)) {
		t.Error("more than numbers changed")
	}
	back := parse(t, text)
	for i := range rg.Emitters {
		was, is := rg.Emitters[i].Model, back.Emitters[i].Model
		if is.Turns != was.Turns*1.02 || is.CenterM != r3.Add(was.CenterM, shift) || is.RadiusM != was.RadiusM {
			t.Errorf("%s became %+v", rg.Emitters[i].Name, is)
		}
		// Rodrigues' formula, written independently of quaternions; rounding
		// of some ten operations on numbers up to 1.
		angle := r3.Norm(tilt)
		k, v := r3.Unit(tilt), was.Axis
		want := r3.Add(r3.Add(r3.Scale(math.Cos(angle), v), r3.Scale(math.Sin(angle), r3.Cross(k, v))), r3.Scale(r3.Dot(k, v)*(1-math.Cos(angle)), k))
		if d := r3.Norm(r3.Sub(want, is.Axis)); d > 1e-15*10 {
			t.Errorf("%s: axis off by %g", rg.Emitters[i].Name, d)
		}
	}
}

func blank(s string) string { return anyNumber.ReplaceAllString(s, "#") }

func TestMoveEmitterOfEveryModel(t *testing.T) {
	rg := load(t, "square-bench.rig.yaml")
	shift, tilt := r3.Vec{X: 1e-3, Y: 2e-3, Z: -1e-3}, r3.Vec{X: 0.02, Y: 0.01, Z: -0.03}
	text := changed(t, rg, func(e *Edit) {
		for i := range rg.Emitters {
			e.MoveEmitter(i, shift, tilt, 1.25)
		}
	})
	back := parse(t, text)
	for i := range rg.Emitters {
		was, is := &rg.Emitters[i].Model, &back.Emitters[i].Model
		// A rigid motion moves the centre by the shift and turns the moment;
		// a few roundings of lengths under 1 m.
		if d := r3.Norm(r3.Sub(is.center(), r3.Add(was.center(), shift))); d > 1e-15 {
			t.Errorf("%s: centre off by %g m", rg.Emitters[i].Name, d)
		}
		ratio := r3.Norm(is.Moment()) / r3.Norm(was.Moment())
		if math.Abs(ratio-1.25) > 1e-14 {
			t.Errorf("%s: moment grew by %.17g", rg.Emitters[i].Name, ratio)
		}
		// About an axis a the turn of the moment m has |m'−m| = 2 sin(θ/2)·|a×m|.
		m0, m1 := was.direction(), is.direction()
		want := 2 * math.Sin(r3.Norm(tilt)/2) * r3.Norm(r3.Cross(r3.Unit(tilt), m0))
		if d := math.Abs(r3.Norm(r3.Sub(m1, m0)) - want); d > 1e-14 {
			t.Errorf("%s: direction turned wrongly by %g", rg.Emitters[i].Name, d)
		}
	}
	for _, comment := range regexp.MustCompile(`#.*`).FindAllString(string(rg.Text), -1) {
		if !strings.Contains(text, comment) {
			t.Errorf("lost %q", comment)
		}
	}
}

func TestEditRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		edit func(*Edit)
		want string
	}{
		"not finite":      {func(e *Edit) { e.SetNumber("emitters[0].model.turns", math.NaN()) }, "rig: emitters[0].model.turns cannot become NaN: must be finite"},
		"no such place":   {func(e *Edit) { e.SetNumber("emitters[9].model.turns", 1) }, "bench.rig.yaml: emitters[9].model.turns: is not in the file"},
		"not valid":       {func(e *Edit) { e.SetNumber("emitters[0].model.turns", -1) }, "emitters[0].model.turns = -1: must be positive"},
		"unknown key":     {func(e *Edit) { e.SetNumber("emitters[0].model.colour", 1) }, "emitters[0].model.colour = 1: unknown key"},
		"wrong shape":     {func(e *Edit) { e.SetVector("emitters[0].model.turns", r3.Vec{}) }, "emitters[0].model.turns: is not a value of 3 numbers"},
		"element":         {func(e *Edit) { e.SetNumber("emitters[0].model.axis[1]", 1) }, "rig: emitters[0].model.axis[1] is one component: set the whole vector"},
		"text":            {func(e *Edit) { e.SetNumber("emitters[0].name", 1) }, ""},
		"wrong dimension": {func(e *Edit) { e.SetCalibration(Calibration{}, mat.NewSymDense(2, nil)) }, "rig: covariance of 2 parameters, 0 are named"},
	} {
		e := parse(t, bench).Edit()
		c.edit(e)
		_, err := e.Text()
		if c.want == "" {
			// A number is a fine name; it reads back as the same text.
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", name, err, c.want)
		}
	}
}

// A model that is another's as a whole is written out before it moves.
func TestMoveEmitterThatIsAnAlias(t *testing.T) {
	text := strings.NewReplacer("  model:\n    type: loop", "  model: &m\n    type: loop",
		"{type: sum, parts: [{type: dipole, center_m: [0, 0, 0], moment_m2: [0, 0, 1]}]}", "*m # the same place").Replace(bench)
	got := changed(t, parse(t, text), func(e *Edit) { e.MoveEmitter(4, r3.Vec{Z: -0.01}, r3.Vec{}, 0.5) })
	want := strings.Replace(text, "*m", "{type: loop, center_m: [0.2, 0, -0.01], axis: [0, 0, 1], radius_m: 0.035, turns: 20}", 1)
	if got != want {
		t.Error(cmp.Diff(strings.Split(want, "\n"), strings.Split(got, "\n")))
	}
}
