package present

import (
	"fmt"
	"io"
	"math"
	"strings"

	"tonepose/cmd/tonepose/internal/inspect"
	"tonepose/cmd/tonepose/internal/terminal"
)

// shownEvents is how many faults are listed.
const shownEvents = 12

// shownHarmonics is how many of the mains' are.
const shownHarmonics = 8

// Inspection prints what a recording is and what is wrong with it.
func Inspection(w io.Writer, in *inspect.Inspection) error {
	q := func(v float64) string { return Quantity(v, unitOf(in)) }
	bits := "floats"
	if in.Bits > 0 {
		bits = fmt.Sprintf("%d bits", in.Bits)
	}
	fmt.Fprintf(w, "%s: %s, %s (%s), %d channels, %.6g Hz, %d samples, %.4g s\n", in.Name, in.Format, in.Datatype, bits, len(in.Channels), in.SampleRate, in.Samples, in.DurationS)
	if !in.Start.IsZero() {
		fmt.Fprintf(w, "started %s\n", in.Start.Format("2006-01-02 15:04:05.000 MST"))
	}
	if len(in.ClockPPM) > 0 {
		fmt.Fprintf(w, "clock offset of the drives %s\n", spanPPM(in.ClockPPM))
	}
	if in.Unit != "V" {
		fmt.Fprintln(w, "levels are in units of full scale: give --full-scale or --rig for volts")
	}
	t := terminal.NewTable(terminal.Column{Name: "channel", Left: true}, terminal.Column{Name: "least"}, terminal.Column{Name: "largest"}, terminal.Column{Name: "range", Unit: "%"},
		terminal.Column{Name: "offset"}, terminal.Column{Name: "rms"}, terminal.Column{Name: "noise", Unit: "/√Hz"}, terminal.Column{Name: "flicker below", Unit: "Hz"}, terminal.Column{Name: "faults", Left: true})
	for _, c := range in.Channels {
		share, corner, white := "–", "–", "–"
		if c.FullScaleShare > 0 {
			share = Number(100*c.FullScaleShare, 3)
		}
		if c.FlickerCorner > 0 {
			corner = Number(c.FlickerCorner, 2)
		}
		if c.WhiteDensity > 0 {
			white = q(c.WhiteDensity)
		}
		t.Row(c.Name, q(c.Min), q(c.Max), share, q(c.DC), q(c.RMS), white, corner, channelFaults(c))
	}
	fmt.Fprintln(w)
	if err := t.Write(w, terminal.PaintFor(w)); err != nil {
		return err
	}
	fmt.Fprintln(w)
	if in.Mains == nil {
		fmt.Fprintln(w, "mains not seen")
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
		fmt.Fprintf(w, "mains (%s) Hz (family of %d Hz): %s\n", PlusMinus(in.Mains.Hz, in.Mains.SigmaHz), in.Mains.Family, strings.Join(words, ", "))
	}
	if err := printTones(w, in); err != nil {
		return err
	}
	if err := printLinesSeen(w, in); err != nil {
		return err
	}
	for i, e := range in.Events {
		if i == shownEvents {
			fmt.Fprintf(w, "and %d more faults\n", len(in.Events)-i)
			break
		}
		channel := e.Channel
		if channel == "" {
			channel = "all channels"
		}
		fmt.Fprintf(w, "%s on %s, %.6g to %.6g s\n", e.Kind, channel, e.StartS, e.StopS)
	}
	for _, f := range in.Findings {
		fmt.Fprintf(w, "note: %s\n", f)
	}
	return nil
}

func unitOf(in *inspect.Inspection) string {
	if in.Unit == "V" {
		return "V"
	}
	return "FS"
}

func channelFaults(c inspect.ChannelLook) string {
	text := ""
	for _, f := range []struct {
		name  string
		count int64
	}{{"clipped", c.Clipped}, {"stuck", c.Stuck}, {"not finite", c.NonFinite}} {
		if f.count > 0 {
			if text != "" {
				text += ", "
			}
			text += fmt.Sprintf("%d %s", f.count, f.name)
		}
	}
	if text == "" {
		return "none"
	}
	return text
}

// printTones shows each tone's drive, and its level with the signal-to-noise
// ratio in 1 Hz on every channel.
func printTones(w io.Writer, in *inspect.Inspection) error {
	if len(in.Tones) == 0 {
		return nil
	}
	columns := []terminal.Column{{Name: "tone", Left: true}, {Name: "frequency", Unit: "Hz"}, {Name: "current", Unit: "A peak"}, {Name: "phase noise", Unit: "°"}}
	for _, l := range in.Tones[0].Levels {
		columns = append(columns, terminal.Column{Name: l.Channel, Unit: "peak, dB in 1 Hz, dB"})
	}
	t := terminal.NewTable(columns...)
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
	fmt.Fprintf(w, "\ntones: peak level, signal-to-noise in 1 Hz beside the tone and over all noise; phase noise rms in windows of %s\n", Quantity(in.Tones[0].WindowS, "s"))
	if err := t.Write(w, terminal.PaintFor(w)); err != nil {
		return err
	}
	for _, p := range in.Pickups {
		fmt.Fprintf(w, "%s: couplings turned by %.2g° rms; as delay %s, as crosstalk %s\n", p.Channel, p.QuadratureDeg,
			Estimate(p.DelayS, p.SigmaDelayS, "s"), Estimate(p.CrosstalkOhm, p.SigmaCrosstalk, "Ω"))
	}
	return nil
}

func printLinesSeen(w io.Writer, in *inspect.Inspection) error {
	if len(in.Lines) == 0 {
		fmt.Fprintln(w, "\nno other lines stand out of the noise")
		return nil
	}
	t := terminal.NewTable(terminal.Column{Name: "other line", Unit: "Hz"}, terminal.Column{Name: "±", Unit: "Hz"}, terminal.Column{Name: "peak"}, terminal.Column{Name: "over noise", Unit: "dB"},
		terminal.Column{Name: "channel", Left: true}, terminal.Column{Name: "may be", Left: true})
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
	fmt.Fprintln(w)
	return t.Write(w, terminal.PaintFor(w))
}
