package rig

import "strconv"

// checkRig checks what single values cannot tell: tones against the sample
// rate, against each other and against response tables; who uses a channel.
func (r *reader) checkRig(rg *Rig) {
	r.checkTones(rg)
	r.checkChannels(rg)
	r.checkTables(rg)
}

// element finds root.key[i].
func element(rg *Rig, key string, i int) *node { return rg.root.get(key).items[i] }

func (r *reader) checkTones(rg *Rig) {
	byTone := map[float64]int{}
	for i := range rg.Emitters {
		e := &rg.Emitters[i]
		if e.ToneHz == 0 {
			continue
		}
		n := element(rg, "emitters", i).get("tone_hz")
		path := index("emitters", i) + ".tone_hz"
		if e.ToneHz >= rg.NyquistHz() {
			r.fail(n.at, path, n.String(), "frequencies are in hertz; choose a lower tone or sample faster",
				"must be under half the sample rate, %s", format(rg.NyquistHz()))
			continue
		}
		if first, ok := byTone[e.ToneHz]; ok {
			r.fail(n.at, path, n.String(), "every emitter needs a tone of its own", "is already the tone of %s", rg.Emitters[first].Name)
			continue
		}
		byTone[e.ToneHz] = i
	}
}

func (r *reader) checkChannels(rg *Rig) {
	type use struct {
		by   string
		line int
	}
	pickup := map[int]use{}
	for i := range rg.Sensors {
		coils := element(rg, "sensors", i).get("coils")
		for j := range rg.Sensors[i].Coils {
			c := rg.Sensors[i].Coils[j].Channel
			n := coils.items[j].get("channel")
			path := index(index("sensors", i)+".coils", j)
			if first, ok := pickup[c]; ok {
				r.fail(n.at, path+".channel", n.String(), "every pickup coil needs a channel of its own",
					"is already used by %s in line %s", first.by, strconv.Itoa(first.line))
				continue
			}
			pickup[c] = use{by: path, line: n.at.line}
		}
	}
	for i := range rg.Emitters {
		ref := rg.Emitters[i].Reference
		if ref == nil {
			continue
		}
		if u, ok := pickup[ref.Channel]; ok {
			n := element(rg, "emitters", i).get("reference").get("channel")
			r.fail(n.at, index("emitters", i)+".reference.channel", n.String(), "a channel carries a drive current or a pickup, not both",
				"is the channel of %s in line %d", u.by, u.line)
		}
	}
}

// checkTables finds tones outside the response tables they must pass.
func (r *reader) checkTables(rg *Rig) {
	check := func(channel int, e *Emitter) {
		c := &rg.Channels[channel]
		if e.ToneHz == 0 || e.ToneHz >= rg.NyquistHz() || len(c.Table) == 0 {
			return
		}
		if _, err := c.Response(e.ToneHz); err != nil {
			for _, old := range r.errs {
				if old.Path == c.path+".response" {
					return
				}
			}
			r.fail(place{line: c.line}, c.path+".response", "", "measure the response at the tones of all emitters",
				"must cover the tone of %s, %s Hz; it covers %s to %s Hz", e.Name, format(e.ToneHz), format(c.Table[0].Hz), format(c.Table[len(c.Table)-1].Hz))
		}
	}
	for i := range rg.Emitters {
		e := &rg.Emitters[i]
		if e.Reference != nil {
			check(e.Reference.Channel, e)
		}
		for _, s := range rg.Sensors {
			for _, coil := range s.Coils {
				check(coil.Channel, e)
			}
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
