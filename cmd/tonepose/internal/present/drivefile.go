package present

import (
	"fmt"
	"io"
	"strings"

	"tonepose/cmd/tonepose/internal/plan"
)

// DriveFile prints what a file of drive signals is, for the words beside it.
func DriveFile(w io.Writer, d *plan.DriveFile) error {
	out := newPage(w)
	out.sheet(driveFileSheet(d), false)
	out.sheet(cautionsSheet(d.Cautions), false)
	return out.err
}

// driveFileSheet tells all that a player of the file must know.
func driveFileSheet(d *plan.DriveFile) *sheet {
	if d == nil {
		return nil
	}
	t := &sheet{title: "Drive file " + d.File, columns: []column{
		text("channel"), text("emitter"), number("tone", "Hz"), number("current", "A peak"),
		number("phase", "°", "of the cosine at the first sample, rounded to what the planned rig states"),
		number("peak of all", "A", "largest value of Σ I·cos(2πft + φ) over a period"),
		number("crest factor", "", "that over the rms"), number("of full scale", "%", "that over full scale")}}
	for i, c := range d.Channels {
		for k, tone := range c.Tones {
			name, peak, crest, share := "", "", "", ""
			if k == 0 {
				name, peak, crest, share = fmt.Sprintf("%d %s", i+1, c.Name), Number(c.PeakA, 3), Number(c.Crest, 3), Number(100*c.Share, 3)
			}
			t.row(name, tone.Emitter, fmt.Sprintf("%.10g", tone.Hz), Number(tone.PeakA, 3), fmt.Sprintf("%.2f", tone.PhaseDeg), peak, crest, share)
		}
	}
	kind := "floats"
	switch {
	case strings.HasSuffix(d.File, ".csv"):
		kind = "numbers in " + d.Unit
	case d.Bits > 0:
		kind = fmt.Sprintf("%d-bit integers", d.Bits)
	case !strings.HasSuffix(d.File, ".wav"):
		kind = "floats in " + d.Unit
	}
	t.note("%d samples at %.10g Hz, %s: whole periods of %d samples (%s), so that it plays over and over without a seam", d.Samples, d.RateHz, kind, d.PeriodSamples, Quantity(float64(d.PeriodSamples)/d.RateHz, "s"))
	switch {
	case d.Unit == "V":
		t.note("full scale is %.10g V at the amplifiers' inputs, for %.10g A/V", d.FullScale, d.GainAPerV)
	case d.GainAPerV > 0:
		t.note("full scale is %.10g A through the coils, so the player's must be %.10g V for %.10g A/V", d.FullScale, d.FullScale/d.GainAPerV, d.GainAPerV)
	default:
		t.note("full scale is %.10g A through the coils: set player and amplifiers to that, and measure it", d.FullScale)
	}
	if d.StartFile != "" {
		t.note("%s rises softly and ends where the loop begins: play its %d samples once before it", d.StartFile, d.StartSamples)
	}
	t.note("a player that holds each sample without a filter lowers the highest tone by %.2g %%; most correct for that", 100*d.HeldLoss)
	return t
}
