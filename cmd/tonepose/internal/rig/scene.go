package rig

import (
	"maps"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/yamltree"
	"tonepose/fieldmodels/metal"
)

// Scene is what stands near a simulated bench, and what happens on it: a file of its
// own, read as strictly as a rig file.
type Scene struct {
	Metal  []Metal `rig:"metal,optional"`
	Events []Event `rig:"events,optional"` // in the file's order
}

// Metal is a ball or a plate near a bench.
type Metal struct {
	Name       string  `rig:"name,unique"`
	Shape      string  `rig:"shape"`                         // ball or plate
	CenterM    r3.Vec  `rig:"center_m"`                      // ball
	RadiusM    float64 `rig:"radius_m,positive"`             // ball
	PointM     r3.Vec  `rig:"point_m"`                       // plate: any of its surface
	Normal     r3.Vec  `rig:"normal,direction"`              // plate: out of the surface, toward the coils
	ThicknessM float64 `rig:"thickness_m,optional,positive"` // plate; 0: it fills half of space
	Absent     bool    `rig:"absent,optional"`               // until an event brings it

	Material metal.Material
}

// Event is one thing that happens on a bench.
type Event struct {
	TimeS  float64 // after the first sample
	About  string  // emitter, channel, sensor or metal; empty: the whole bench
	Index  int     // of it, in the rig or among the scene's Metal
	Key    string  // of what changes, one of eventKeys[About]
	Number float64 // drive, leads, noise_v_per_rthz, mains_v, clock_ppm
	On     bool    // away, path, present
	PlaceM r3.Vec  // position_m, center_m
	// RotationRad is the vector along the axis of a sensor's rotation, beside position_m.
	RotationRad r3.Vec
	WithinS     float64 // the time that a move takes; 0: a default
}

var (
	shapeKeys = map[string][]string{
		"ball":  {"name", "shape", "material", "conductivity_s_per_m", "permeability", "absent", "center_m", "radius_m"},
		"plate": {"name", "shape", "material", "conductivity_s_per_m", "permeability", "absent", "point_m", "normal", "thickness_m"},
	}
	abouts = []string{"emitter", "channel", "sensor", "metal"}
	// eventKeys are what can change of each; "" is the whole bench.
	eventKeys = map[string][]string{
		"emitter": {"drive", "away"},
		"channel": {"leads"},
		"sensor":  {"position_m", "path"},
		"metal":   {"present", "center_m"},
		"":        {"noise_v_per_rthz", "mains_v", "clock_ppm"},
	}
	leads = map[string]float64{"plugged": 1, "unplugged": 0, "reversed": -1}
)

// LoadScene reads and checks the scene of a rig's bench. What is wrong with its content
// comes back as Errors, in the file's order.
func LoadScene(name string, r *Rig) (*Scene, error) {
	text, err := readFile(name, "scene")
	if err != nil {
		return nil, err
	}
	return ParseScene(name, text, r)
}

// ParseScene is LoadScene for a text in memory; name stands in the messages.
func ParseScene(name string, text []byte, rg *Rig) (*Scene, error) {
	if len(text) > maxBytes {
		return nil, Errors{{File: name, Message: "is larger than 1 MiB, too large for a scene"}}
	}
	root, perr := parseTree(name, sceneKind, text)
	if perr != nil {
		return nil, Errors{perr}
	}
	s := new(Scene)
	r := &reader{file: name, rig: rg, scene: s, names: map[string]yamltree.Position{}}
	r.read(value{r, root, "", ""}, s)
	if err := r.errs.sorted(); err != nil {
		return nil, err
	}
	return s, nil
}

func (m *Metal) read(v value) {
	r := v.r
	if v.n.Kind != yamltree.Mapping {
		v.fail(keyHint("metal"), "must be a mapping")
		return
	}
	shape := value{r, v.n.Get("shape"), join(v.path, "shape"), "shape"}
	if shape.n == nil {
		r.fail(v.n.At, shape.path, "", keyHint("shape"), "is missing")
		return
	}
	keys, ok := shapeKeys[shape.text()]
	if !ok {
		shape.fail(keyHint("shape"), "is not a shape")
		return
	}
	o := r.fields(v, m, keys)
	named, stated := o.value("material", false), o.has("conductivity_s_per_m")
	m.Material.Permeability = 1
	switch {
	case stated && named.n != nil:
		named.fail("keep the one or the other", "stands beside conductivity_s_per_m")
	case stated:
		m.Material.Conductivity = o.value("conductivity_s_per_m", true).number(rules["positive"])
	case named.n == nil:
		r.fail(v.n.At, named.path, "", keyHint("material"), "is missing")
	default:
		if m.Material, ok = metal.Materials[named.text()]; !ok {
			named.fail(keyHint("material"), "is not a material")
		}
	}
	if p := o.value("permeability", false); p.n != nil {
		if m.Material.Permeability = p.number(rule{}); m.Material.Permeability < 1 {
			p.fail(keyHint("permeability"), "must be 1 or more")
		}
	}
}

func (e *Event) read(v value) {
	r := v.r
	if v.n.Kind != yamltree.Mapping {
		v.fail(keyHint("events"), "must be a mapping")
		return
	}
	for _, key := range abouts {
		if v.n.Get(key) != nil {
			e.About = key
			break
		}
	}
	keys := []string{"time_s"}
	if e.About != "" {
		keys = append(keys, e.About)
	}
	changes := eventKeys[e.About]
	for _, key := range changes {
		if v.n.Get(key) != nil {
			e.Key = key
			break
		}
	}
	keys = append(keys, changes...)
	switch e.Key {
	case "position_m":
		keys = append(keys, "rotation_rad", "within_s")
	case "path", "center_m":
		keys = append(keys, "within_s")
	}
	before := len(r.errs)
	o := r.object(v, keys...)
	e.TimeS = o.value("time_s", true).time()
	if e.About != "" {
		e.Index = o.value(e.About, true).among(r.known(e.About))
	}
	if e.Key == "" {
		if len(r.errs) == before {
			r.fail(v.n.At, v.path, "", "say what changes: "+strings.Join(changes, ", "), "nothing changes")
		}
		return
	}
	for _, key := range changes {
		if key != e.Key && o.has(key) {
			o.value(key, false).fail("make it an event of its own", "stands beside %s", e.Key)
		}
	}
	e.change(o.value(e.Key, true), o)
}

// change reads what an event changes.
func (e *Event) change(v value, o object) {
	if v.n == nil {
		return
	}
	switch e.Key {
	case "drive", "clock_ppm":
		e.Number = v.number(rule{})
	case "noise_v_per_rthz", "mains_v":
		e.Number = v.number(rules["nonnegative"])
	case "leads":
		var ok bool
		if e.Number, ok = leads[v.text()]; !ok {
			v.fail("one of "+strings.Join(slices.Sorted(maps.Keys(leads)), ", "), "is not what leads can be")
		}
	case "position_m", "center_m":
		e.PlaceM = v.vector(false)
		if rotation := o.value("rotation_rad", false); rotation.n != nil {
			e.RotationRad = rotation.vector(false)
		}
	default:
		if e.On = v.truth(); !e.On && e.Key == "path" {
			v.fail("to leave the path, give position_m", "must be true")
		}
	}
	if within := o.value("within_s", false); within.n != nil {
		if e.WithinS = within.number(rules["positive"]); e.WithinS > 0 && e.WithinS < 1e-3 {
			within.fail("nothing is carried faster", "must be at least 0.001")
		}
	}
	if metal := e.Key == "center_m" && e.Index < len(o.r.scene.Metal); metal && o.r.scene.Metal[e.Index].Shape == "plate" {
		v.fail("let it be present or not; a second plate can stand elsewhere", "a plate is not carried")
	}
}

// time reads an instant after the first sample.
func (v value) time() float64 {
	if v.n == nil {
		return 0
	}
	return v.number(rules["nonnegative"])
}

// known are the names that an event can be about.
func (r *reader) known(about string) (names []string) {
	switch about {
	case "emitter":
		for _, e := range r.rig.Emitters {
			names = append(names, e.Name)
		}
	case "channel":
		for _, c := range r.rig.Channels {
			names = append(names, c.Name)
		}
	case "sensor":
		names = r.rig.SensorNames()
	case "metal":
		for _, m := range r.scene.Metal {
			names = append(names, m.Name)
		}
	}
	return names
}

// among reads one of several names, and returns which.
func (v value) among(names []string) int {
	name := v.text()
	i := slices.Index(names, name)
	if i < 0 && name != "" {
		v.fail("there are "+yamltree.Shorten(strings.Join(names, ", ")), "is not known here")
	}
	return max(i, 0)
}
