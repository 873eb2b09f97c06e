package present

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"strings"

	"tonepose/cmd/tonepose/internal/inspect"
)

// shownEvents is how many faults are listed.
const shownEvents = 12

// shownHarmonics is how many of the mains' are.
const shownHarmonics = 8

// Inspection prints what a recording is and what is wrong with it.
func Inspection(w io.Writer, in *inspect.Inspection) error {
	p := newPage(w)
	q := func(v float64) string { return Quantity(v, unitOf(in)) }
	bits := "floats"
	if in.Bits > 0 {
		bits = fmt.Sprintf("%d bits", in.Bits)
	}
	p.line("%s: %s, %s (%s), %d channels, %.6g Hz, %d samples, %.4g s", in.Name, in.Format, in.Datatype, bits, len(in.Channels), in.SampleRate, in.Samples, in.DurationS)
	if !in.Start.IsZero() {
		p.line("started %s", in.Start.Format("2006-01-02 15:04:05.000 MST"))
	}
	if len(in.ClockPPM) > 0 {
		p.line("clock offset of the drives %s", spanPPM(in.ClockPPM))
	}
	if in.Unit != "V" {
		p.line("levels are in units of full scale: give --full-scale or --rig for volts")
	}
	t := tableOf(text("channel"), number("least", ""), number("largest", ""), number("range", "%"), number("offset", ""), number("rms", ""), number("noise", "/√Hz"), number("flicker below", "Hz"), text("faults"))
	for _, c := range in.Channels {
		known := func(v float64, text string) string { // 0: not found, or without a full scale
			if v > 0 {
				return text
			}
			return "–"
		}
		t.Row(c.Name, q(c.Min), q(c.Max), known(c.FullScaleShare, Number(100*c.FullScaleShare, 3)), q(c.DC), q(c.RMS),
			known(c.WhiteDensity, q(c.WhiteDensity)), known(c.FlickerCorner, Number(c.FlickerCorner, 2)), channelFaults(c))
	}
	p.line("")
	p.table(t)
	p.line("")
	if in.Mains == nil {
		p.line("mains not seen")
	} else {
		var words []string
		all := in.Mains.Harmonics
		for _, h := range all { // first those whose level is known
			if h.Channel != "" && len(words) < shownHarmonics {
				words = append(words, fmt.Sprintf("%d× %s on %s", h.Number, q(h.Peak), h.Channel))
			}
		}
		if more := len(all) - len(words); more > 0 {
			words = append(words, fmt.Sprintf("%d more up to %d×", more, all[len(all)-1].Number))
		}
		p.line("mains (%s) Hz (family of %d Hz): %s", PlusMinus(in.Mains.Hz, in.Mains.SigmaHz), in.Mains.Family, strings.Join(words, ", "))
	}
	p.tones(in)
	p.lines(in)
	p.rests(in.Rests)
	for i, e := range in.Events {
		if i == shownEvents {
			p.line("and %d more faults", len(in.Events)-i)
			break
		}
		p.line("%s on %s, %.6g to %.6g s", e.Kind, cmp.Or(e.Channel, "all channels"), e.StartS, e.StopS)
	}
	for _, f := range in.Findings {
		p.line("note: %s", f)
	}
	return p.err
}

func unitOf(in *inspect.Inspection) string {
	if in.Unit == "V" {
		return "V"
	}
	return "FS"
}

func channelFaults(c inspect.Channel) string {
	var found []string
	for _, f := range []struct {
		name  string
		count int64
	}{{"clipped", c.Clipped}, {"stuck", c.Stuck}, {"not finite", c.NonFinite}} {
		if f.count > 0 {
			found = append(found, fmt.Sprintf("%d %s", f.count, f.name))
		}
	}
	return cmp.Or(strings.Join(found, ", "), "none")
}

// tones shows each tone's drive, and its level with the signal-to-noise
// ratio in 1 Hz on every channel.
func (p *page) tones(in *inspect.Inspection) {
	if len(in.Tones) == 0 {
		return
	}
	columns := []column{text("tone"), number("frequency", "Hz"), number("current", "A peak"), number("phase noise", "°")}
	for _, l := range in.Tones[0].Levels {
		columns = append(columns, number(l.Channel, "peak, dB in 1 Hz, dB"))
	}
	t := tableOf(columns...)
	for _, tone := range in.Tones {
		row := []string{tone.Name, fmt.Sprintf("%.4f", tone.Hz), "–", "–"}
		if tone.CurrentA > 0 {
			row[2], row[3] = Number(tone.CurrentA, 4), Number(tone.PhaseNoiseDeg, 2)
		}
		for _, l := range tone.Levels {
			level := "–" // no reference: nothing was measured
			if l.Peak > 0 {
				level = fmt.Sprintf("%s, %.0f, %.0f", Quantity(l.Peak, unitOf(in)), l.InBand, l.Broadband)
			}
			row = append(row, level)
		}
		t.Row(row...)
	}
	p.line("\ntones: peak level, signal-to-noise in 1 Hz beside the tone and over all noise; phase noise rms in windows of %s", Quantity(in.Tones[0].WindowS, "s"))
	p.table(t)
	for _, c := range in.Pickups {
		p.line("%s: phases of the couplings off by %.2g° rms; as delay %s, as crosstalk %s", c.Channel, c.QuadratureDeg,
			Estimate(c.DelayS, c.SigmaDelayS, "s"), Estimate(c.CrosstalkOhm, c.SigmaCrosstalk, "Ω"))
	}
}

func (p *page) lines(in *inspect.Inspection) {
	if len(in.Lines) == 0 {
		p.line("\nno other lines stand out of the noise")
		return
	}
	t := tableOf(number("other line", "Hz"), number("±", "Hz"), number("peak", ""), number("over noise", "dB"), text("channel"), text("may be"))
	for _, l := range in.Lines {
		name := "unknown"
		if l.Name != "" {
			name = l.Name
			if l.Kind != "" && !strings.HasPrefix(l.Name, l.Kind) {
				name += " (" + l.Kind + ")"
			}
			if l.Chance > 0.2 {
				name += fmt.Sprintf(", by chance %.0f %%", 100*math.Min(l.Chance, 1))
			}
		}
		t.Row(fmt.Sprintf("%.3f", l.Hz), Number(l.SigmaHz, 2), Quantity(l.Peak, unitOf(in)), fmt.Sprintf("%.0f", l.OverDB), l.Channel, name)
	}
	p.line("")
	p.table(t)
}

// rests prints where the sensors rested, station by station.
func (p *page) rests(r *inspect.Rests) {
	if r == nil {
		return
	}
	t := tableOf(text("station"), text("sensor"), number("from", "s"), number("to", "s"), number("off", "mm"), number("turned", "°"))
	for _, at := range r.Found {
		t.Row(at.Station, at.Sensor, fmt.Sprintf("%.3f", at.StartS), fmt.Sprintf("%.3f", at.StopS), mm(at.OffM), degrees(at.OffRad))
	}
	p.line("")
	p.line("rests at the stations of %s:", r.Plan)
	p.table(t)
	if r.ByOrder {
		p.line("numbered by their order alone: look whether none was left out")
	} else {
		p.line("off, turned: how far the pose that the rig gives is from the station's")
	}
	const most = 8
	for _, at := range r.Beside[:min(most, len(r.Beside))] {
		p.line("rest of %s from %.3f to %.3f s: at none of the stations", at.Sensor, at.StartS, at.StopS)
	}
	if n := len(r.Beside) - most; n > 0 {
		p.line("and %d more at none of the stations (--json lists all)", n)
	}
	if len(r.Missing) > 0 {
		p.line("no rest found: station %s", strings.Join(r.Missing, ", "))
	}
	p.line("")
}
