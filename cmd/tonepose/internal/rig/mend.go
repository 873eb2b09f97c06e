package rig

import (
	"cmp"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"tonepose/cmd/tonepose/internal/yamltree"
	"tonepose/fieldmodels/metal"
)

// unit is a spelling of a unit that people write in a key, with the SI unit of
// the rig file and the factor to it.
type unit struct {
	written string
	si      string
	factor  float64
}

// The inch is exact (international yard and pound agreement of 1959).
var units = []unit{
	{"mm", "m", 1e-3}, {"cm", "m", 1e-2}, {"um", "m", 1e-6}, {"µm", "m", 1e-6}, {"km", "m", 1e3},
	{"in", "m", 0.0254}, {"inch", "m", 0.0254},
	{"mm2", "m2", 1e-6}, {"cm2", "m2", 1e-4},
	{"ms", "s", 1e-3}, {"us", "s", 1e-6}, {"µs", "s", 1e-6}, {"ns", "s", 1e-9},
	{"khz", "hz", 1e3}, {"mhz", "hz", 1e6},
	{"mv", "v", 1e-3}, {"uv", "v", 1e-6}, {"µv", "v", 1e-6},
	{"mohm", "ohm", 1e-3}, {"kohm", "ohm", 1e3},
	{"deg", "rad", 0.017453292519943295}, {"rad", "deg", 57.29577951308232},
	{"ma", "a_peak", 1e-3}, {"a", "a_peak", 1}, {"ma_peak", "a_peak", 1e-3},
	{"a_rms", "a_peak", 1.4142135623730951}, {"rms", "a_peak", 1.4142135623730951},
	{"m", "m", 1}, {"m2", "m2", 1}, {"s", "s", 1}, {"hz", "hz", 1}, {"v", "v", 1}, {"ohm", "ohm", 1},
}

// split parts a key into what it names and its unit; unit "" when it has none.
func split(key string) (stem, suffix string) {
	lower := strings.ToLower(key)
	best := ""
	for _, u := range units {
		for _, w := range []string{u.written, u.si} {
			if strings.HasSuffix(lower, "_"+w) && len(w) > len(best) {
				best = w
			}
		}
	}
	return strings.TrimSuffix(strings.TrimSuffix(lower, best), "_"), best
}

// mendKey guesses which of the known keys was meant by an unknown one, and
// says how to write it.
func mendKey(key string, value *yamltree.Node, known []string) (meant, hint string) {
	stem, suffix := split(key)
	for _, k := range known {
		if strings.EqualFold(k, key) {
			return k, "keys are in lower case: " + k
		}
		ks, unitOf := split(k)
		if unitOf == "" || ks != stem || unitOf == suffix {
			continue
		}
		hint = "write " + k + ", in " + unitNames[unitOf]
		if x := scaled(value, suffix, unitOf); x != "" {
			hint = "write " + k + ": " + x
		}
		return k, hint
	}
	// What people call a thing is a part of its key, as rate of sample_rate_hz.
	if i := slices.IndexFunc(known, func(k string) bool { return len(key) > 3 && strings.Contains("_"+k+"_", "_"+strings.ToLower(key)+"_") }); i >= 0 {
		return known[i], "did you mean " + known[i] + "?"
	}
	best, most := "", 3
	for _, k := range known {
		if d := distance(key, k); d < most && d < len(k)/2+1 {
			best, most = k, d
		}
	}
	if best != "" {
		return best, "did you mean " + best + "?"
	}
	return "", "known here: " + strings.Join(slices.Sorted(slices.Values(known)), ", ")
}

// scaled prints a number, or a list of three, that was written in one unit in
// another; nothing for what is neither, and for units that do not convert.
func scaled(n *yamltree.Node, written, si string) string {
	if n.Kind == yamltree.List && len(n.Items) == 3 {
		x, y, z := scaled(n.Items[0], written, si), scaled(n.Items[1], written, si), scaled(n.Items[2], written, si)
		if x == "" || y == "" || z == "" {
			return ""
		}
		return "[" + x + ", " + y + ", " + z + "]"
	}
	i := slices.IndexFunc(units, func(u unit) bool { return u.written == written && u.si == si })
	if i < 0 || n.Kind != yamltree.Scalar || !n.Plain || !decimal.MatchString(n.Text) {
		return ""
	}
	x, err := strconv.ParseFloat(n.Text, 64)
	if err != nil {
		return ""
	}
	return strconv.FormatFloat(x*units[i].factor, 'g', 10, 64)
}

var unitNames = map[string]string{
	"m": "metres", "m2": "square metres", "s": "seconds", "hz": "hertz", "v": "volts", "ohm": "ohms",
	"rad": "radians", "deg": "degrees", "a_peak": "amperes, peak",
}

// hints show by an example what a key, or else its unit, asks for.
var hints = map[string]string{
	"radius_m":           "radii are in metres; 50 mm is 0.05",
	"inner_radius_m":     "radii are in metres; 50 mm is 0.05",
	"outer_radius_m":     "radii are in metres; 50 mm is 0.05",
	"turns":              "turns count the windings and need not be whole; to wind the other way round, reverse the axis",
	"area_turns_m2":      "turns times area in square metres; 100 turns of 40 mm2 are 0.004",
	"moment_m2":          "turns times area vector in square metres, such as [0, 0, 0.154]",
	"axis":               "an axis is a direction, such as [0, 0, 1]; its length does not matter",
	"width_axis":         "an axis is a direction, such as [0, 0, 1]; its length does not matter",
	"current_a_peak":     "the nominal peak current in amperes; 0.35 A rms is 0.5",
	"current":            "nothing measures the current that a playback drives: state its relative standard deviation, such as tolerance: {current: 0.02}",
	"latest_s":           "the instants of the recording between which the file of the drives begins, in seconds",
	"transimpedance_ohm": "volts at the reference channel per ampere, in ohms",
	"address":            "host and port of the instrument, such as 192.0.2.7:5025",
	"block":              "the query that the instrument answers by a block of samples, such as \"READ?\"",
	"format":             "the type of a sample, such as ri16_le or rf32_be",
	"count_v":            "the voltage of one count, in volts",
	"timeout_s":          "the longest silence before an answer, in seconds",
	"full_scale_v":       "the voltage of the largest code, in volts",
	"gain":               "volts at the ADC per volt at the coil; 40 dB is 100",
	"model":              "such as model: {type: loop, center_m: [0, 0, 0], axis: [0, 0, 1], radius_m: 0.035, turns: 40}",
	"type":               "one of " + strings.Join(modelTypes, ", "),

	"metal":                "such as {name: ball, shape: ball, center_m: [0.2, 0, 0.2], radius_m: 0.02, material: aluminium}",
	"shape":                "one of ball, plate",
	"material":             "one of " + strings.Join(slices.Sorted(maps.Keys(metal.Materials)), ", ") + "; or state conductivity_s_per_m",
	"conductivity_s_per_m": "in siemens per metre; aluminium has 3.5e7",
	"permeability":         "relative; 1 for all but ferromagnetic metal",
	"normal":               "the direction out of the plate's surface, to the coils, such as [0, 0, 1]",
	"events":               "such as {time_s: 2, emitter: e3, drive: 0}",
	"drive":                "a factor on the nominal current; 0 is off, 1 on",
	"noise_v_per_rthz":     "volts per root hertz at the amplifiers' inputs, such as 5e-9",
	"rotation_rad":         "the vector along the axis of the rotation, as long as its angle in radians",

	"m":  "lengths are in metres; 50 mm is 0.05",
	"s":  "times are in seconds; 1.5 µs is 1.5e-6",
	"hz": "frequencies are in hertz; 5 kHz is 5000",
}

func keyHint(key string) string {
	_, si := split(key)
	return cmp.Or(hints[key], hints[si])
}

var withUnit = regexp.MustCompile(`^([-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?) *([a-zA-Zµ]+[0-9]?)$`)

// numberHint says how to write what is not a number.
func numberHint(n *yamltree.Node, key string) string {
	if n.Kind != yamltree.Scalar {
		return keyHint(key)
	}
	if decimal.MatchString(n.Text) {
		return "write it without quotes: " + n.Text
	}
	if m := withUnit.FindStringSubmatch(n.Text); m != nil {
		_, si := split(key)
		if x := scaled(&yamltree.Node{Plain: true, Text: m[1]}, strings.ToLower(m[2]), si); x != "" {
			return "the key names the unit; write " + x
		}
	}
	if trimmed := strings.ReplaceAll(n.Text, "_", ""); trimmed != n.Text && decimal.MatchString(trimmed) {
		return "write " + trimmed
	}
	if dotted := strings.Replace(n.Text, ",", ".", 1); dotted != n.Text && decimal.MatchString(dotted) {
		return "the decimal sign is a point: " + dotted
	}
	if bare := strings.TrimLeft(n.Text, "0"); bare != n.Text && decimal.MatchString(bare) {
		return "write " + bare + ", without leading zeros"
	}
	return keyHint(key)
}

// distance is the edit distance of Levenshtein.
func distance(a, b string) int {
	if len(a) > 40 {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := diagonal
			if a[i-1] != b[j-1] {
				cost++
			}
			diagonal = row[j]
			row[j] = min(cost, row[j]+1, row[j-1]+1)
		}
	}
	return row[len(b)]
}
