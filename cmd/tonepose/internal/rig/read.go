package rig

import (
	"regexp"
	"strings"
	"time"
)

func (r *reader) readRig(rg *Rig, root *node) {
	o := r.object(root, "", "name", "sample_rate_hz", "working_volume", "channels", "emitters", "sensors", "calibration")
	rg.Name = o.text("name")
	rg.SampleRateHz = o.number("sample_rate_hz", positive)
	rg.WorkingVolume = r.readVolume(o)
	names := map[string]place{}
	o.list("channels", func(n *node, path string) {
		rg.Channels = append(rg.Channels, r.readChannel(n, path, names))
	})
	names = map[string]place{}
	o.list("emitters", func(n *node, path string) {
		rg.Emitters = append(rg.Emitters, r.readEmitter(rg, n, path, names))
	})
	names = map[string]place{}
	o.list("sensors", func(n *node, path string) {
		rg.Sensors = append(rg.Sensors, r.readSensor(rg, n, path, names))
	})
	if o.has("calibration") {
		rg.Calibration = r.readCalibration(o.value("calibration", false), "calibration")
	}
}

// name reads a name that must be new among its like.
func (o object) name(seen map[string]place) string {
	name := o.text("name")
	if name == "" {
		return name
	}
	at := o.at("name")
	if first, ok := seen[name]; ok {
		o.r.fail(at, o.path+".name", name, "names must differ", "is already used in line %d", first.line)
		return name
	}
	seen[name] = at
	return name
}

func (r *reader) readVolume(o object) Box {
	n := o.value("working_volume", true)
	before := len(r.errs)
	v := r.object(n, "working_volume", "min_m", "max_m")
	b := Box{Min: v.vector("min_m"), Max: v.vector("max_m")}
	if v.n == nil || len(r.errs) > before {
		return b
	}
	for _, c := range []struct {
		axis     string
		min, max float64
	}{{"x", b.Min.X, b.Max.X}, {"y", b.Min.Y, b.Max.Y}, {"z", b.Min.Z, b.Max.Z}} {
		if c.min >= c.max {
			v.fail("max_m", "lengths are in metres; the box needs room along every axis",
				"must exceed min_m along %s, which is %s", c.axis, format(c.min))
			return b
		}
	}
	return b
}

func (r *reader) readChannel(n *node, path string, names map[string]place) Channel {
	o := r.object(n, path, "name", "full_scale_v", "gain", "delay_s", "response", "tolerance")
	c := Channel{Name: o.name(names), path: path, file: r.file, line: n.at.line, Gain: 1}
	c.FullScaleV = o.numberOr("full_scale_v", 0, positive)
	if !o.has("response") {
		c.Gain = o.numberOr("gain", 1, nonZero)
		c.DelayS = o.numberOr("delay_s", 0, finite)
	} else {
		for _, key := range []string{"gain", "delay_s"} {
			if o.has(key) {
				o.fail(key, "keep the response table or gain and delay_s, not both", "stands beside response")
			}
		}
		c.line = o.at("response").line
		c.Table = r.readResponse(o)
	}
	c.Tolerance = r.readTolerance(o, "gain", "delay_s")
	return c
}

func (r *reader) readResponse(o object) []ResponsePoint {
	var table []ResponsePoint
	var above place
	o.list("response", func(n *node, path string) {
		before := len(r.errs)
		row := r.object(n, path, "hz", "gain", "phase_deg")
		p := ResponsePoint{Hz: row.number("hz", positive), Gain: row.number("gain", positive), PhaseDeg: row.number("phase_deg", finite)}
		if k := len(table); k > 0 && len(r.errs) == before && p.Hz <= table[k-1].Hz {
			row.fail("hz", "list the rows by rising frequency",
				"must exceed the row before, %s in line %d", format(table[k-1].Hz), above.line)
		}
		above = n.at
		table = append(table, p)
	})
	return table
}

// readTolerance reads the sigmas that the owner can have.
func (r *reader) readTolerance(o object, keys ...string) Tolerance {
	n := o.value("tolerance", false)
	if n == nil {
		return Tolerance{}
	}
	t := r.object(n, join(o.path, "tolerance"), keys...)
	return Tolerance{
		CenterM:     t.numberOr("center_m", 0, positive),
		AxisRad:     t.numberOr("axis_rad", 0, positive),
		Strength:    t.numberOr("strength", 0, positive),
		Sensitivity: t.numberOr("sensitivity", 0, positive),
		Gain:        t.numberOr("gain", 0, positive),
		DelayS:      t.numberOr("delay_s", 0, positive),
	}
}

func (r *reader) readEmitter(rg *Rig, n *node, path string, names map[string]place) Emitter {
	o := r.object(n, path, "name", "tone_hz", "current_a_peak", "reference", "phase_deg", "model", "tolerance")
	e := Emitter{Name: o.name(names)}
	if r.opts.AllowMissingTones {
		e.ToneHz = o.numberOr("tone_hz", 0, positive)
		e.CurrentPeakA = o.numberOr("current_a_peak", 0, positive)
	} else {
		e.ToneHz = o.number("tone_hz", positive)
		e.CurrentPeakA = o.number("current_a_peak", positive)
	}
	e.PhaseDeg = o.numberOr("phase_deg", 0, finite)
	if n := o.value("reference", false); n != nil {
		ref := r.object(n, join(path, "reference"), "channel", "transimpedance_ohm")
		e.Reference = &Reference{Channel: r.channel(rg, ref), TransimpedanceOhm: ref.number("transimpedance_ohm", positive)}
		if o.has("phase_deg") {
			o.fail("phase_deg", "remove it: the reference channel measures the phase", "stands beside reference")
		}
	}
	e.Model = r.readModel(o.value("model", true), join(path, "model"), 0)
	e.Tolerance = r.readTolerance(o, "center_m", "axis_rad", "strength")
	return e
}

// channel reads the name of a channel; -1 when there is none of that name.
func (r *reader) channel(rg *Rig, o object) int {
	name := o.text("channel")
	if name == "" {
		return -1
	}
	if i, ok := rg.ChannelIndex(name); ok {
		return i
	}
	if len(rg.Channels) > 0 {
		known := make([]string, len(rg.Channels))
		for i := range rg.Channels {
			known[i] = rg.Channels[i].Name
		}
		r.fail(o.at("channel"), join(o.path, "channel"), name, "channels are "+shorten(strings.Join(known, ", ")), "is not a channel")
	}
	return -1
}

func (r *reader) readSensor(rg *Rig, n *node, path string, names map[string]place) Sensor {
	o := r.object(n, path, "name", "tip_m", "coils")
	s := Sensor{Name: o.name(names)}
	if n := o.value("tip_m", false); n != nil {
		tip := r.vector(n, join(path, "tip_m"), "tip_m")
		s.TipM = &tip
	}
	o.list("coils", func(n *node, path string) {
		s.Coils = append(s.Coils, r.readCoil(rg, n, path))
	})
	return s
}

func (r *reader) readCoil(rg *Rig, n *node, path string) Coil {
	o := r.object(n, path, "channel", "center_m", "axis", "area_turns_m2", "radius_m", "tolerance")
	return Coil{
		Channel:     r.channel(rg, o),
		CenterM:     o.vector("center_m"),
		Axis:        o.axis("axis"),
		AreaTurnsM2: o.number("area_turns_m2", positive),
		RadiusM:     o.numberOr("radius_m", 0, nonNegative),
		Tolerance:   r.readTolerance(o, "center_m", "axis_rad", "sensitivity"),
	}
}

var hexSHA256 = regexp.MustCompile(`^[0-9a-f]{64}$`)

func (o object) sha256(key string) string {
	s := o.textOf(key, false)
	if s != "" && !hexSHA256.MatchString(s) {
		o.r.fail(o.at(key), join(o.path, key), shorten(s), "", "must be 64 digits 0-9 a-f")
	}
	return s
}

// companion reads the name and the hash of a file, which need each other.
func (o object) companion(what string) Companion {
	file, hash := what+"_file", what+"_sha256"
	if o.has(file) {
		o.needs(hash, file)
	}
	if o.has(hash) {
		o.needs(file, hash)
	}
	return Companion{o.textOf(file, false), o.sha256(hash)}
}

// needs reports a key that another one asks for.
func (o object) needs(key, other string) {
	if !o.has(key) && !o.lost[key] {
		o.r.fail(o.n.at, join(o.path, key), "", other+" needs it", "is missing")
	}
}

func (r *reader) readCalibration(n *node, path string) *Calibration {
	o := r.object(n, path, "date", "reference_sha256", "parameters", "covariance_file", "covariance_sha256", "correction_file", "correction_sha256")
	if o.n == nil {
		return nil
	}
	c := &Calibration{
		ReferenceSHA256: o.sha256("reference_sha256"),
		Covariance:      o.companion("covariance"),
		Correction:      o.companion("correction"),
	}
	if date := o.text("date"); date != "" {
		t, err := time.Parse(time.DateOnly, date)
		if err != nil {
			t, err = time.Parse(time.RFC3339, date)
		}
		if err != nil {
			r.fail(o.at("date"), path+".date", shorten(date), "such as 2026-03-01 or 2026-03-01T09:30:00Z", "must be a date")
		}
		c.Date = t
	}
	if o.has("parameters") {
		seen := map[string]place{}
		o.list("parameters", func(n *node, path string) {
			p := r.text(n, path)
			if first, ok := seen[p]; ok && p != "" {
				r.fail(n.at, path, p, "", "is already listed in line %d", first.line)
			}
			seen[p] = n.at
			c.Parameters = append(c.Parameters, p)
		})
	}
	if o.has("covariance_file") {
		o.needs("parameters", "covariance_file")
	}
	return c
}
