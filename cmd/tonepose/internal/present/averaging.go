package present

import (
	"fmt"
	"io"
	"strings"

	"tonepose/cmd/tonepose/internal/engine"
)

// Averaging says what the averaging does to signals and noise.
func Averaging(w io.Writer, a *engine.Averaging) error {
	q := Quantity
	kind := a.Kind
	if a.WindowS > 0 {
		kind += " of " + q(a.WindowS, "s")
	}
	if a.BandwidthHz > 0 {
		kind += ", −3 dB at " + q(a.BandwidthHz, "Hz")
	}
	fmt.Fprintf(w, "averaging: %s, equivalent noise bandwidth %s\n", kind, q(a.ENBWHz, "Hz"))
	fmt.Fprintf(w, "group delay %s (time stamps corrected), settles to 1 %% in %s, to 0.1 %% in %s\n", q(a.GroupDelayS, "s"), q(a.Settling1S, "s"), q(a.Settling01S, "s"))
	if a.Joint {
		fmt.Fprintln(w, "other tones, their images and the mains lines found are estimated jointly")
	} else {
		var words []string
		for _, r := range []struct {
			what string
			*engine.Rejection
		}{{"next tone", a.NextTone}, {"image", a.Image}, {"mains", a.Mains}} {
			if r.Rejection != nil {
				words = append(words, fmt.Sprintf("%s −%.1f dB (%s beside %s)", r.what, r.DB, q(r.Hz, "Hz"), r.Tone))
			}
		}
		fmt.Fprintln(w, "suppression at worst: "+strings.Join(words, ", "))
	}
	if a.DensityHigh == 0 {
		return nil
	}
	_, err := fmt.Fprintf(w, "sigma per root hertz of an rms amplitude: %s to %s\n", q(a.DensityLow, "V/√Hz"), q(a.DensityHigh, "V/√Hz"))
	return err
}
