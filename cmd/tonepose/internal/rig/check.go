package rig

import (
	"slices"
	"strconv"
	"strings"

	"tonepose/cmd/tonepose/internal/yamltree"
)

// checkRig checks what single values cannot show: tones against the sample
// rate, against each other and against response tables; who uses a channel.
func (r *reader) checkRig(rg *Rig) {
	r.checkTones(rg)
	r.checkChannels(rg)
	r.checkTables(rg)
	r.checkPlayback(rg)
}

// at is a value below root.key[i].
func (r *reader) at(key string, i int, steps ...string) value {
	v := value{r, r.rig.root.Get(key).Items[i], index(key, i), ""}
	for _, step := range steps {
		v = value{r, v.n.Get(step), join(v.path, step), step}
	}
	return v
}

func (r *reader) checkTones(rg *Rig) {
	byTone := map[float64]string{}
	for i, e := range rg.Emitters {
		if e.ToneHz == 0 {
			continue
		}
		v := r.at("emitters", i, "tone_hz")
		first, taken := byTone[e.ToneHz]
		switch {
		case e.ToneHz >= rg.NyquistHz():
			v.fail("frequencies are in hertz; choose a lower tone or sample faster",
				"must be under half the sample rate, %s", format(rg.NyquistHz()))
		case taken:
			v.fail("every emitter needs a tone of its own", "is already the tone of %s", first)
		default:
			byTone[e.ToneHz] = e.Name
		}
	}
}

func (r *reader) checkChannels(rg *Rig) {
	pickup := map[int]value{}
	for i, s := range rg.Sensors {
		for j, c := range s.Coils {
			v := r.at("sensors", i, "coils").item(j)
			used := value{r, v.n.Get("channel"), v.path + ".channel", ""}
			if first, ok := pickup[c.Channel]; ok {
				used.fail("every pickup coil needs a channel of its own",
					"is already used by %s in line %d", strings.TrimSuffix(first.path, ".channel"), first.n.At.Line)
				continue
			}
			pickup[c.Channel] = used
		}
	}
	for i, e := range rg.Emitters {
		if e.Reference == nil {
			continue
		}
		if u, ok := pickup[e.Reference.Channel]; ok {
			r.at("emitters", i, "reference", "channel").fail("a channel carries a drive current or a pickup, not both",
				"is the channel of %s in line %d", strings.TrimSuffix(u.path, ".channel"), u.n.At.Line)
		}
	}
}

// checkPlayback finds emitters that a playback does not go with.
func (r *reader) checkPlayback(rg *Rig) {
	if rg.Playback == nil {
		return
	}
	if c := rg.Calibration; c != nil && c.Correction.File != "" {
		v := value{r, rg.root.Get("calibration").Get("correction_file"), "calibration.correction_file", "correction_file"}
		v.fail("record the drives: what the map leaves open and what the currents do is known of them together only", "stands beside playback")
	}
	for i, e := range rg.Emitters {
		if e.Reference != nil {
			r.at("emitters", i, "reference").fail("remove it or playback: what digitises one drive tells the start of all", "stands beside playback")
		} else if e.Tolerance.Current == 0 && !r.reported(index("emitters", i)) {
			at := r.at("emitters", i)
			r.fail(at.n.At, at.path+".tolerance.current", "", keyHint("current"), "is missing")
		}
	}
}

// reported tells whether anything is wrong below a path.
func (r *reader) reported(path string) bool {
	return slices.ContainsFunc(r.errs, func(e *Error) bool { return strings.HasPrefix(e.Path, path+".") })
}

// checkTables finds tones outside the response tables they must pass.
func (r *reader) checkTables(rg *Rig) {
	for _, e := range rg.Emitters {
		if e.ToneHz == 0 || e.ToneHz >= rg.NyquistHz() {
			continue
		}
		var passed []int
		if e.Reference != nil {
			passed = append(passed, e.Reference.Channel)
		}
		for _, s := range rg.Sensors {
			for _, coil := range s.Coils {
				passed = append(passed, coil.Channel)
			}
		}
		for _, i := range passed {
			c := &rg.Channels[i]
			path := c.path + ".response"
			_, outside := c.Response(e.ToneHz)
			if outside == nil || slices.ContainsFunc(r.errs, func(old *Error) bool { return old.Path == path }) {
				continue
			}
			r.fail(yamltree.Position{Line: c.line}, path, "", "measure the response at the tones of all emitters", "must cover the tone of %s, %s Hz; it covers %s to %s Hz",
				e.Name, format(e.ToneHz), format(c.Table[0].Hz), format(c.Table[len(c.Table)-1].Hz))
		}
	}
}

// format prints a number as a message shows it, and as the rig file stores it:
// the shortest text that reads back as the same number.
// Zero has no sign here.
func format(x float64) string {
	if x == 0 {
		return "0"
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}
