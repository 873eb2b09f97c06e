package rig

import (
	"net"
	"regexp"
	"strings"
	"time"

	"tonepose/cmd/tonepose/internal/yamltree"
	"tonepose/multitone/recording"
)

func (b *Box) check(o object) {
	if len(o.r.errs) > o.before {
		return
	}
	for i, c := range [][2]float64{{b.Min.X, b.Max.X}, {b.Min.Y, b.Max.Y}, {b.Min.Z, b.Max.Z}} {
		if c[0] >= c[1] {
			o.value("max_m", false).fail("lengths are in metres; the box needs room along every axis",
				"must exceed min_m along %c, which is %s", "xyz"[i], format(c[0]))
			return
		}
		if side := c[1] - c[0]; side > longestSideM {
			o.value("max_m", false).fail("lengths are in metres, not millimetres: 400 mm is 0.4",
				"must be at most %d m from min_m along %c, not %s: no couplings reach that far", longestSideM, "xyz"[i], format(side))
			return
		}
	}
}

// longestSideM is more than any bench has room for: the field of a coil falls with the
// cube of the distance.
const longestSideM = 100

func (c *Channel) check(o object) {
	c.path, c.file = o.path, o.r.file
	if !o.has("gain") {
		c.Gain = 1
	}
	response := o.n.Entry("response")
	if response == nil {
		return
	}
	c.line = response.At.Line
	for _, key := range []string{"gain", "delay_s"} {
		if o.has(key) {
			o.value(key, false).fail("keep the response table or gain and delay_s, not both", "stands beside response")
		}
	}
	rows := o.value("response", true)
	for i := 1; i < len(c.Table); i++ {
		last := c.Table[i-1].Hz
		if row := rows.item(i); c.Table[i].Hz > 0 && c.Table[i].Hz <= last {
			value{o.r, row.n.Get("hz"), row.path + ".hz", "hz"}.fail("list the rows by rising frequency",
				"must exceed the row before, %s in line %d", format(last), rows.item(i-1).n.At.Line)
		}
	}
}

func (e *Emitter) check(o object) {
	e.PhaseStated = o.has("phase_deg")
	if e.Reference == nil || !o.has("tolerance") {
		return
	}
	tolerance := o.value("tolerance", false)
	for _, key := range []string{"current", "phase_deg"} {
		if n := tolerance.n.Get(key); n != nil {
			value{o.r, n, join(tolerance.path, key), key}.fail("remove it: the reference channel measures the current", "stands beside reference")
		}
	}
}

// maxPlaybackS bounds the search for the start of a drive file.
const maxPlaybackS = 10.0

func (p *Playback) check(o object) {
	switch {
	case len(o.r.errs) > o.before:
	case p.LatestS <= p.EarliestS:
		o.value("latest_s", false).fail(keyHint("latest_s"), "must exceed earliest_s, which is %s", format(p.EarliestS))
	case p.LatestS-p.EarliestS > maxPlaybackS:
		o.value("latest_s", false).fail("let the file begin closer to the recording's own start", "must be within %s s of earliest_s, which is %s", format(maxPlaybackS), format(p.EarliestS))
	}
}

func (i *Instrument) check(o object) {
	if len(o.r.errs) > o.before {
		return
	}
	if _, port, err := net.SplitHostPort(i.Address); err != nil || port == "" {
		o.value("address", false).fail(keyHint("address"), "must be host and port")
	}
	for _, q := range [][2]string{{"block", i.Block}, {"errors", i.Errors}} {
		if q[1] != "" && !strings.Contains(q[1], "?") {
			o.value(q[0], false).fail("a query has a question mark", "must be a query")
		}
	}
	_, integer, err := recording.Datatype(i.Format)
	if err != nil {
		_, hint, _ := strings.Cut(err.Error(), "; ")
		o.value("format", false).fail(hint, "is no type of samples")
	} else if !integer && i.CountV != 0 {
		o.value("count_v", false).fail("remove it: float samples are volts", "stands beside a format of floats")
	}
}

// channel reads the name of a channel.
func (v value) channel() int {
	name, rg := v.text(), v.r.rig
	i, ok := rg.ChannelIndex(name)
	if !ok && name != "" && len(rg.Channels) > 0 {
		var known []string
		for _, c := range rg.Channels {
			known = append(known, c.Name)
		}
		v.fail("channels are "+yamltree.Shorten(strings.Join(known, ", ")), "is not a channel")
	}
	return i
}

var hexSHA256 = regexp.MustCompile(`^[0-9a-f]{64}$`)

func (o object) sha256(key string) string {
	v := o.value(key, false)
	s := v.text()
	if s != "" && !hexSHA256.MatchString(s) {
		v.fail("", "must be 64 digits 0-9 a-f")
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
	return Companion{o.value(file, false).text(), o.sha256(hash)}
}

// needs reports a key that another one asks for.
func (o object) needs(key, other string) {
	if !o.has(key) && !o.misspelt[key] {
		o.r.fail(o.n.At, join(o.path, key), "", other+" needs it", "is missing")
	}
}

var calibrationKeys = []string{"date", "reference_sha256", "parameters", "covariance_file", "covariance_sha256", "correction_file", "correction_sha256"}

func (c *Calibration) read(v value) {
	o := v.r.object(v, calibrationKeys...)
	if o.n == nil {
		return
	}
	c.ReferenceSHA256 = o.sha256("reference_sha256")
	c.Covariance, c.Correction = o.companion("covariance"), o.companion("correction")
	date := o.value("date", true)
	if text := date.text(); text != "" {
		var err error
		if c.Date, err = time.Parse(time.DateOnly, text); err != nil {
			c.Date, err = time.Parse(time.RFC3339, text)
		}
		if err != nil {
			date.fail("such as 2026-03-01 or 2026-03-01T09:30:00Z", "must be a date")
		}
	}
	if o.has("parameters") {
		for _, item := range o.value("parameters", true).elements() {
			p := item.text()
			item.unique(v.path, p, "", "is already listed in line %d")
			c.Parameters = append(c.Parameters, p)
		}
	}
	if o.has("covariance_file") {
		o.needs("parameters", "covariance_file")
	}
}
