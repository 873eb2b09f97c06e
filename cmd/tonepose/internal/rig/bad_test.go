package rig

import (
	"errors"
	"strings"
	"testing"
)

// bench is a small valid rig; every case of TestBadFiles breaks it in one place.
const bench = `name: bench
sample_rate_hz: 100000
working_volume: {min_m: [-0.2, -0.2, 0.03], max_m: [0.2, 0.2, 0.4]}
channels:
- {name: rx1, full_scale_v: 2.5, gain: 100, delay_s: 1.5e-6}
- {name: rx2, response: [{hz: 1000, gain: 10, phase_deg: 0}, {hz: 2e4, gain: 9, phase_deg: -20}]}
- {name: drive}
emitters:
- name: e1
  tone_hz: 5125
  current_a_peak: 0.5
  reference: {channel: drive, transimpedance_ohm: 0.5}
  model:
    type: loop
    center_m: [0.2, 0, 0]
    axis: [0, 0, 1]
    radius_m: 0.035
    turns: 40
- name: e2
  tone_hz: 6325
  current_a_peak: 0.5
  phase_deg: 90
  model: {type: rectangle, center_m: [0, 0, 0], axis: [0, 0, 1], width_axis: [1, 0, 0], width_m: 0.1, height_m: 0.1, turns: 8}
- name: e3
  tone_hz: 7575
  current_a_peak: 0.5
  reference: {channel: drive, transimpedance_ohm: 0.5}
  model: {type: winding, center_m: [0, 0.1, 0], axis: [0, 0, 1], inner_radius_m: 0.03, outer_radius_m: 0.04, length_m: 0.02, turns: 90}
- name: e4
  tone_hz: 8925
  current_a_peak: 0.5
  model: {type: polyline, points_m: [[0, 0, 0], [0.1, 0, 0], [0, 0.1, 0]], turns: 3}
- name: e5
  tone_hz: 9925
  current_a_peak: 0.5
  model: {type: sum, parts: [{type: dipole, center_m: [0, 0, 0], moment_m2: [0, 0, 1]}]}
sensors:
- name: probe
  tip_m: [0, 0, 0.02]
  coils:
  - {channel: rx1, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 0.004, radius_m: 0.004}
- name: needle
  coils:
  - {channel: rx2, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 8e-5}
`

func TestBenchIsGood(t *testing.T) {
	rg, err := Parse("bench.rig.yaml", []byte(bench), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if rg.Emitters[0].PhaseStated || !rg.Emitters[1].PhaseStated || !rg.Emitters[3].Model.Closed || rg.Emitters[1].PhaseDeg != 90 || rg.Channels[2].Gain != 1 || rg.Channels[2].FullScaleV != 0 {
		t.Errorf("defaults or values wrong: %+v", rg)
	}
}

// A phase beside a reference says how the emitter is driven.
func TestPhaseBesideReference(t *testing.T) {
	const reference = "  reference: {channel: drive, transimpedance_ohm: 0.5}\n"
	rg, err := Parse("bench.rig.yaml", []byte(strings.Replace(bench, reference, reference+"  phase_deg: 3\n", 1)), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if e := rg.Emitters[0]; e.PhaseDeg != 3 || !e.PhaseStated {
		t.Errorf("%+v", e)
	}
}

// badFiles break bench in one place each.
var badFiles = []struct{ old, new, want, hint string }{
	// The sentence of the house style.
	{"radius_m: 0.035", "radius_m: -0.05", "17: emitters[0].model.radius_m = -0.05: must be positive", "radii are in metres; 50 mm is 0.05"},

	// Keys.
	{"    radius_m: 0.035", "    radius_mm: 35", "17: emitters[0].model.radius_mm = 35: unknown key", "write radius_m: 0.035"},
	{"width_m: 0.1", "width_in: 4", "23: emitters[1].model.width_in = 4: unknown key", "write width_m: 0.1016"},
	{"    center_m: [0.2, 0, 0]", "    center_mm: [200, 0, 0]", "15: emitters[0].model.center_mm: unknown key", "write center_m: [0.2, 0, 0]"},
	{"delay_s: 1.5e-6", "delay_us: 1.5", "5: channels[0].delay_us = 1.5: unknown key", "write delay_s: 1.5e-06"},
	{"  tone_hz: 5125", "  tone_khz: 5.125", "10: emitters[0].tone_khz = 5.125: unknown key", "write tone_hz: 5125"},
	{"  phase_deg: 90", "  phase_rad: 1.5707963", "22: emitters[1].phase_rad = 1.5707963: unknown key", "write phase_deg: 89.99999846"},
	{"  current_a_peak: 0.5\n  phase_deg", "  current_a_rms: 1\n  phase_deg", "21: emitters[1].current_a_rms = 1: unknown key", "write current_a_peak: 1.414213562"},
	{"full_scale_v: 2.5", "full_scale: 2.5", "5: channels[0].full_scale = 2.5: unknown key", "write full_scale_v, in volts"},
	{"name: bench", "name: bench\nSensors: x", "2: Sensors = x: unknown key", "keys are in lower case: sensors"},
	{"    turns: 40", "    turn: 40", "18: emitters[0].model.turn = 40: unknown key", "did you mean turns?"},
	{"    turns: 40", "    turns: 40\n    colour: red", "19: emitters[0].model.colour = red: unknown key", "known here: axis, center_m, radius_m, turns, type"},
	{"    turns: 40", "    turns: 40\n    turns: 41", "19: emitters[0].model.turns: stands twice, first in line 18", "keep one of the two"},
	{"tip_m: [0, 0, 0.02]", "tolerance: {axis_rad: 0.1}", "39: sensors[0].tolerance: unknown key", "known here: coils, name, tip_m"},
	{"radius_m: 0.004}", "radius_m: 0.004, tolerance: {strength: 0.1}}", "41: sensors[0].coils[0].tolerance.strength = 0.1: unknown key", "known here: axis_rad, center_m, sensitivity"},

	// Missing.
	{"sample_rate_hz: 100000\n", "", "1: sample_rate_hz: is missing", "frequencies are in hertz; 5 kHz is 5000"},
	{"    radius_m: 0.035\n", "", "14: emitters[0].model.radius_m: is missing", "radii are in metres; 50 mm is 0.05"},
	{"  tone_hz: 5125\n", "", "9: emitters[0].tone_hz: is missing", "frequencies are in hertz; 5 kHz is 5000; tonepose plan --rig-out chooses one and writes it"},
	{"    type: loop\n", "", "14: emitters[0].model.type: is missing", "one of dipole, loop, winding, sheet, polyline, rectangle, sum"},
	{", area_turns_m2: 8e-5", "", "44: sensors[1].coils[0].area_turns_m2: is missing", "turns times area in square metres; 100 turns of 40 mm2 are 0.004"},
	{"  tone_hz: 5125", "  tone_hz:", "10: emitters[0].tone_hz: has no value", "frequencies are in hertz; 5 kHz is 5000; tonepose plan --rig-out chooses one and writes it"},
	{"channels:\n", "channels: []\nx:\n", "4: channels = []: must have at least one element", ""},

	// Numbers.
	{"tone_hz: 5125", "tone_hz: 0", "10: emitters[0].tone_hz = 0: must be positive", "frequencies are in hertz; 5 kHz is 5000"},
	{"gain: 100,", "gain: 0,", "5: channels[0].gain = 0: must not be zero", "volts at the ADC per volt at the coil; 40 dB is 100"},
	{"radius_m: 0.004", "radius_m: -1e-3", "41: sensors[0].coils[0].radius_m = -1e-3: must not be negative", "radii are in metres; 50 mm is 0.05"},
	{"turns: 40", "turns: .inf", "18: emitters[0].model.turns = .inf: must be finite", "turns count the windings and need not be whole; to wind the other way round, reverse the axis"},
	{"turns: 40", "turns: 1e999", "18: emitters[0].model.turns = 1e999: must be finite", "turns count the windings and need not be whole; to wind the other way round, reverse the axis"},
	{"turns: 40", "turns: 1e-999", "18: emitters[0].model.turns = 1e-999: must be positive", "turns count the windings and need not be whole; to wind the other way round, reverse the axis"},
	{"radius_m: 0.035", "radius_m: 1e-300", "17: emitters[0].model.radius_m = 1e-300: must not be smaller than 1e-09 in size", "radii are in metres; 50 mm is 0.05"},
	{"center_m: [0.2, 0, 0]", "center_m: [0.2, -1e200, 0]", "15: emitters[0].model.center_m[1] = -1e200: must not be larger than 1e+09 in size", "lengths are in metres; 50 mm is 0.05"},
	{"turns: 40", "turns: 1e300", "18: emitters[0].model.turns = 1e300: must not be larger than 1e+15 in size", "turns count the windings and need not be whole; to wind the other way round, reverse the axis"},
	{"gain: 100,", "gain: -1e-300,", "5: channels[0].gain = -1e-300: must not be smaller than 1e-15 in size", "volts at the ADC per volt at the coil; 40 dB is 100"},
	{"delay_s: 1.5e-6", "delay_s: 1e300", "5: channels[0].delay_s = 1e300: must not be larger than 1e+09 in size", "times are in seconds; 1.5 µs is 1.5e-6"},
	{"sample_rate_hz: 100000", "sample_rate_hz: 1e18", "2: sample_rate_hz = 1e18: must not be larger than 1e+09 in size", "frequencies are in hertz; 5 kHz is 5000"},
	{"center_m: [0.2, 0, 0]", "center_m: [0.2, .nan, 0]", "15: emitters[0].model.center_m[1] = .nan: must be finite", "lengths are in metres; 50 mm is 0.05"},
	{"radius_m: 0.035", "radius_m: 35 mm", "17: emitters[0].model.radius_m = 35 mm: must be a number", "the key names the unit; write 0.035"},
	{"radius_m: 0.035", "radius_m: \"0.035\"", "17: emitters[0].model.radius_m = \"0.035\": must be a number", "write it without quotes: 0.035"},
	{"radius_m: 0.035", "radius_m: 0,035", "17: emitters[0].model.radius_m = 0,035: must be a number", "the decimal sign is a point: 0.035"},
	{"turns: 40", "turns: 1_000", "18: emitters[0].model.turns = 1_000: must be a number", "write 1000"},
	{"turns: 40", "turns: 040", "18: emitters[0].model.turns = 040: must be a number", "write 40, without leading zeros"},
	{"turns: 40", "turns: 0x28", "18: emitters[0].model.turns = 0x28: must be a number", "turns count the windings and need not be whole; to wind the other way round, reverse the axis"},
	{"tone_hz: 5125", "tone_hz: [5125]", "10: emitters[0].tone_hz = [5125]: must be a number", "frequencies are in hertz; 5 kHz is 5000"},

	// Vectors.
	{"center_m: [0.2, 0, 0]", "center_m: [0.2, 0]", "15: emitters[0].model.center_m = [0.2, 0]: must have three numbers, has 2", "write [x, y, z]"},
	{"center_m: [0.2, 0, 0]", "center_m: 0.2", "15: emitters[0].model.center_m = 0.2: must be a list of three numbers", "write [x, y, z]"},
	{"    axis: [0, 0, 1]", "    axis: [0, 0, -0.0]", "16: emitters[0].model.axis = [0, 0, -0.0]: must not be the zero vector", "an axis is a direction, such as [0, 0, 1]; its length does not matter"},
	{"moment_m2: [0, 0, 1]", "moment_m2: [0, 0, 0]", "36: emitters[4].model.parts[0].moment_m2 = [0, 0, 0]: must not be the zero vector", "turns times area vector in square metres, such as [0, 0, 0.154]"},
	{"max_m: [0.2, 0.2, 0.4]", "max_m: [0.2, 0.2, 0.03]", "3: working_volume.max_m = [0.2, 0.2, 0.03]: must exceed min_m along z, which is 0.03", "lengths are in metres; the box needs room along every axis"},
	{"max_m: [0.2, 0.2, 0.4]", "max_m: [200, 0.2, 0.4]", "3: working_volume.max_m = [200, 0.2, 0.4]: must be at most 100 m from min_m along x, not 200.2: no couplings reach that far", "lengths are in metres, not millimetres: 400 mm is 0.4"},

	// Models.
	{"type: loop", "type: lop", "14: emitters[0].model.type = lop: is not a model type", "did you mean loop?"},
	{"type: loop", "type: Loop", "14: emitters[0].model.type = Loop: is not a model type", "did you mean loop?"},
	{"type: loop", "type: spiral", "14: emitters[0].model.type = spiral: is not a model type", "one of dipole, loop, winding, sheet, polyline, rectangle, sum"},
	{"sample_rate_hz: 100000", "rate: 100000", "2: rate = 100000: unknown key", "did you mean sample_rate_hz?"},
	{"center_m: [0.2, 0, 0]", "center_m: [0,2, 0, 0]", "15: emitters[0].model.center_m = [0, 2, 0, 0]: must have three numbers, has 4", "write [x, y, z]; the decimal sign is a point, a comma begins the next number"},
	{"  current_a_peak: 0.5", "   current_a_peak: 0.5", "11: wrong indentation", "it stands 3 spaces in; the depth of line 9 is 2: what belongs together begins in one column"},
	{"    axis: [0, 0, 1]\n    radius_m", "   axis: [0, 0, 1]\n    radius_m", "16: wrong indentation", "it stands 3 spaces in; the depth of line 9 is 2, of line 14 4: what belongs together begins in one column"},
	{"    type: loop", "     type: loop", "15: wrong indentation", "it stands 4 spaces in; the depth of line 9 is 2, of line 14 5: what belongs together begins in one column"},
	{"width_axis: [1, 0, 0]", "width_axis: [0, 0, -3]", "23: emitters[1].model.width_axis = [0, 0, -3]: must not be parallel to axis", "it points along the sides of length width_m, across the axis"},
	{"outer_radius_m: 0.04", "outer_radius_m: 0.03", "28: emitters[2].model.outer_radius_m = 0.03: must exceed inner_radius_m, which is 0.03", "radii are in metres; 50 mm is 0.05"},
	{", [0, 0.1, 0]]", "]", "32: emitters[3].model.points_m: must have at least 3 points, has 2", ""},
	{", [0, 0.1, 0]]", ", [0, 0.1, 0], [0, 0, 0]]", "32: emitters[3].model.points_m[3] = [0, 0, 0]: repeats the first point", "remove it: a closed polyline returns to its first point by itself"},
	{"[0.1, 0, 0], [0, 0.1, 0]]", "[0.1, 0, 0], [0.1, 0, 0]]", "32: emitters[3].model.points_m[2] = [0.1, 0, 0]: repeats the point before", "remove one of the two"},
	{"turns: 3}", "turns: 3, closed: 1}", "32: emitters[3].model.closed = 1: must be true or false", ""},
	{"model: {type: sum, parts: [{type: dipole, center_m: [0, 0, 0], moment_m2: [0, 0, 1]}]}", "model: loop", "36: emitters[4].model = loop: must be a mapping", keyHint("model")},

	// Names and channels.
	{"name: e2", "name: e1", "19: emitters[1].name = e1: is already used in line 9", "names must differ"},
	{"name: rx2", "name: rx1", "6: channels[1].name = rx1: is already used in line 5", "names must differ"},
	{"name: bench", "name: ' bench'", "1: name = \" bench\": must be one line without spaces at its ends", ""},
	{"name: bench", "name: true", "1: name = true: must be text", ""},
	{"reference: {channel: drive,", "reference: {channel: drve,", "12: emitters[0].reference.channel = drve: is not a channel", "channels are rx1, rx2, drive"},
	{"channel: rx2", "channel: rx1", "44: sensors[1].coils[0].channel = rx1: is already used by sensors[0].coils[0] in line 41", "every pickup coil needs a channel of its own"},
	{"channel: rx2", "channel: drive", "12: emitters[0].reference.channel = drive: is the channel of sensors[1].coils[0] in line 44 (and in line 27)", "a channel carries a drive current or a pickup, not both"},

	// Tones and responses.
	{"tone_hz: 5125", "tone_hz: 50000", "10: emitters[0].tone_hz = 50000: must be under half the sample rate, 50000", "frequencies are in hertz; choose a lower tone or sample faster"},
	{"tone_hz: 6325", "tone_hz: 5.125e3", "20: emitters[1].tone_hz = 5.125e3: is already the tone of e1", "every emitter needs a tone of its own"},
	{"hz: 1000,", "hz: 5200,", "6: channels[1].response: must cover the tone of e1, 5125 Hz; it covers 5200 to 20000 Hz", "measure the response at the tones of all emitters"},
	{"hz: 1000,", "hz: 20000,", "6: channels[1].response[1].hz = 2e4: must exceed the row before, 20000 in line 6", "list the rows by rising frequency"},
	{"name: rx2,", "name: rx2, gain: 10,", "6: channels[1].gain = 10: stands beside response", "keep the response table or gain and delay_s, not both"},

	// Calibration.
	{"sensors:", "calibration: {date: yesterday}\nsensors:", "37: calibration.date = yesterday: must be a date", "such as 2026-03-01 or 2026-03-01T09:30:00Z"},
	{"sensors:", "calibration: {date: 2026-03-01, correction_file: c.json}\nsensors:", "37: calibration.correction_sha256: is missing", "correction_file needs it"},
	{"sensors:", "calibration: {date: 2026-03-01, covariance_file: c.csv}\nsensors:", "37: calibration.covariance_sha256: is missing", "covariance_file needs it"},
	{"sensors:", "calibration: {date: 2026-03-01, reference_sha256: abc}\nsensors:", "37: calibration.reference_sha256 = abc: must be 64 digits 0-9 a-f", ""},

	// YAML itself.
	{"name: bench", "name: [bench", "2: not valid YAML: ',' or ']' must be specified", `column 1 of "sample_rate_hz: 100000"`},
	{"  tone_hz: 5125", "\ttone_hz: 5125", "10: not valid YAML: found character '\t' that cannot start any token", `column 1 of " tone_hz: 5125"; YAML indents by spaces, not tabs`},
	{"radius_m: 0.035", "radius_m: *r", "17: *r refers to no anchor above it", "write &r before the value that is meant, or quotes about what is no alias"},
	{"radius_m: 0.035", "radius_m: !!float 1", "17: the tag !!float is not part of a rig file", "write the value alone"},
	{"sensors:", "---\nsensors:", "38: a second YAML document begins here", "a rig file holds one document; remove the --- line and what follows"},
}

func TestBadFiles(t *testing.T) {
	const file = "bench.rig.yaml:"
	for _, c := range badFiles {
		if strings.Count(bench, c.old) == 0 {
			t.Errorf("the bench has no %q", c.old)
			continue
		}
		_, err := Parse("bench.rig.yaml", []byte(strings.Replace(bench, c.old, c.new, 1)), Options{})
		var first *Error
		if !errors.As(err, &first) {
			t.Errorf("%q: got %v, want %s", c.new, err, c.want)
			continue
		}
		if first.Error() != file+c.want {
			t.Errorf("%q:\n got %s\nwant %s%s", c.new, first, file, c.want)
		}
		if first.Hint != c.hint {
			t.Errorf("%q:\n got hint %s\nwant hint %s", c.new, first.Hint, c.hint)
		}
	}
}

// One mistake makes one message: what follows from it stays silent.
func TestOneMistakeOneMessage(t *testing.T) {
	for old, new := range map[string]string{
		"    radius_m: 0.035":   "    radius_mm: 35",
		"    turns: 40":         "    turn: 40",
		"sample_rate_hz: 1":     "sample_rate_khz: 1",
		"width_axis: [1, 0, 0]": "width_axis: [1, 0]",
		"name: drive}":          "names: drive}",
	} {
		_, err := Parse("bench.rig.yaml", []byte(strings.Replace(bench, old, new, 1)), Options{})
		var all Errors
		if !errors.As(err, &all) {
			t.Fatalf("%q: %v is not Errors", new, err)
		}
		if n := len(all); n != 1 && new != "names: drive}" {
			t.Errorf("%q: %d messages:\n%v", new, n, err)
		}
	}
}

func TestEveryMistakeIsReportedInOrder(t *testing.T) {
	text := strings.NewReplacer("radius_m: 0.035", "radius_m: -1", "turns: 8", "turns: 0", "name: needle", "name: probe").Replace(bench)
	_, err := Parse("b.yaml", []byte(text), Options{})
	want := "b.yaml:17: emitters[0].model.radius_m = -1: must be positive\n" +
		"b.yaml:23: emitters[1].model.turns = 0: must be positive\n" +
		"b.yaml:42: sensors[1].name = probe: is already used in line 38"
	if err == nil || err.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", err, want)
	}
}

func TestMissingTonesOnRequest(t *testing.T) {
	text := strings.NewReplacer("  tone_hz: 5125\n", "", "  current_a_peak: 0.5\n", "").Replace(bench)
	if _, err := Parse("b.yaml", []byte(text), Options{}); err == nil {
		t.Error("missing tone accepted without being asked")
	}
	rg, err := Parse("b.yaml", []byte(text), Options{AllowMissingTones: true})
	if err != nil {
		t.Fatal(err)
	}
	if rg.Emitters[0].ToneHz != 0 || rg.Emitters[1].ToneHz != 6325 || rg.Emitters[0].CurrentPeakA != 0 {
		t.Errorf("read %+v", rg.Emitters[:2])
	}
}

func TestEmptyAndForeignTexts(t *testing.T) {
	for text, want := range map[string]string{
		"":                              "x: is empty",
		"# nothing\n":                   "x: is empty",
		"a: 1\rb: 2\n":                  "x:1: has a carriage return inside a line",
		strings.Repeat("#", maxBytes+1): "x: is larger than 1 MiB",
		"- a\n":                         "x:1: must be a mapping",
		strings.Repeat("[", 1000):       "x:1: nests deeper than 64",
		strings.Repeat("- ", 1000):      "x:1: nests deeper than 64",
		"a: &a {b: *a}\n":               "x:1: *a refers to no anchor above it",
	} {
		_, err := Parse("x", []byte(text), Options{})
		var first *Error
		if !errors.As(err, &first) || !strings.HasPrefix(first.Error(), want) {
			t.Errorf("%.20q: got %v, want %s", text, err, want)
		}
	}
}

// The message counts lines rightly in files with \r\n and comments.
func TestLinesOfFilesFromElsewhere(t *testing.T) {
	text := strings.Replace(bench, "radius_m: 0.035", "radius_m: -0.05", 1)
	text = strings.ReplaceAll(text, "\n", " # note\n")
	for _, dressed := range []string{text, strings.ReplaceAll(text, "\n", "\r\n"), "\ufeff" + text} {
		_, err := Parse("x", []byte(dressed), Options{})
		if err == nil || !strings.HasPrefix(err.Error(), "x:17: emitters[0].model.radius_m = -0.05: ") {
			t.Errorf("got %v, want line 17", err)
		}
	}
}
