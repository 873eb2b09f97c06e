package present

import (
	"fmt"
	"strings"

	"tonepose/cmd/tonepose/internal/stream"
)

// averaging prints what the averaging does to signals and noise.
func (p *page) averaging(a *stream.Averaging) {
	q := Quantity
	kind := a.Kind
	if a.WindowS > 0 {
		kind += " of " + q(a.WindowS, "s")
	}
	if a.BandwidthHz > 0 {
		kind += ", −3 dB at " + q(a.BandwidthHz, "Hz")
	}
	p.line("averaging: %s, equivalent noise bandwidth %s", kind, q(a.ENBWHz, "Hz"))
	p.line("group delay %s (time stamps corrected), settles to 1 %% in %s, to 0.1 %% in %s", q(a.GroupDelayS, "s"), q(a.Settling1S, "s"), q(a.Settling01S, "s"))
	if a.Joint {
		p.line("other tones, their images and the mains lines found are estimated jointly")
	} else {
		var words []string
		for _, r := range []struct {
			what string
			*stream.Rejection
		}{{"next tone", a.NextTone}, {"image", a.Image}, {"mains", a.Mains}} {
			if r.Rejection != nil {
				words = append(words, fmt.Sprintf("%s −%.1f dB (%s beside %s)", r.what, r.DB, q(r.Hz, "Hz"), r.Tone))
			}
		}
		p.line("suppression at worst (what leaks of tones, mains and offsets is taken off): %s", strings.Join(words, ", "))
	}
	for i := range a.Disturbers {
		p.line("%s", &a.Disturbers[i])
	}
	if a.DensityHigh > 0 {
		p.line("sigma per root hertz of an rms amplitude: %s to %s", q(a.DensityLow, "V/√Hz"), q(a.DensityHigh, "V/√Hz"))
	}
}
