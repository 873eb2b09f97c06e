// Package skeleton writes commented rig files to begin with.
package skeleton

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/caution"
)

// Options are the few answers that a rig file begins with.
type Options struct {
	Name      string
	Layout    string  // Ring, Grid or Plate
	Emitters  int     // 1 to 64
	SizeM     float64 // of the layout: a ring's diameter, a grid's or plate's side
	Coils     int     // of the sensor, 1 to 3, at right angles
	SoundCard bool    // the recorder plays the drives and digitises none; else an ADC does on one channel
	RateHz    float64
}

// Layouts of emitters.
const (
	Ring  = "ring"  // loops on a circle, tilted outward and inward in turn
	Grid  = "grid"  // loops in rows, tilted to four sides in turn
	Plate = "plate" // flat square windings in rows, on one board
)

// Layouts lists the layouts.
var Layouts = []string{Ring, Grid, Plate}

// Rig is the text of a rig file: every value is there to be replaced by the bench's own.
// Tones and, but for a sound card, phases are left for plan to choose.
func Rig(o Options) string {
	var b strings.Builder
	line := func(format string, values ...any) { fmt.Fprintf(&b, format+"\n", values...) }
	line("# A rig file to begin with: invented values, replace them by your own. SI units throughout, lengths in metres, angles")
	line("# in degrees only where a key says deg. `tonepose help rig` explains every key, `tonepose rig check FILE` says what is")
	line("# wrong or hardly meant, `tonepose plan FILE --rig-out NEW` chooses the tones.")
	line("# %s", caution.Standing)
	line("name: %s", o.Name)
	line("sample_rate_hz: %.10g            # samples a second of each channel", o.RateHz)
	half := o.SizeM / 2
	line("working_volume:                   # where the sensor can be, clear of the coils and on one side of them")
	line("  min_m: [%.4g, %.4g, %.4g]", -half, -half, 0.15*o.SizeM)
	line("  max_m: [%.4g, %.4g, %.4g]", half, half, 0.9*o.SizeM)
	if o.SoundCard {
		line("playback: {earliest_s: 0, latest_s: 0.3}   # when the file of the drives begins, from the recording's first sample")
	}
	line("channels:                         # in the order of the recording's columns")
	gain := 40 // clips nowhere in the working volume; close to small layouts voltages are larger
	if o.SizeM < 0.2 {
		gain = 20
	}
	for k := range o.Coils {
		line("- {name: rx%d, full_scale_v: %s, gain: %d}   # volts of the largest code; volts at the ADC per volt at the coil", k+1, fullScale(o), gain)
	}
	if !o.SoundCard {
		line("- {name: drive, full_scale_v: %s}   # the common shunt of all emitters", fullScale(o))
	}
	line("emitters:                         # the driven coils; tone_hz is left out: plan chooses it")
	line("# A tolerance says how well drawing and maker are to be believed, one sigma each: metres, radians (1° is 0.0175) and shares.")
	line("# Calibrate goes by it, and says by how many of these sigmas a coil stands elsewhere. Of a current that nothing measures, solve too.")
	side := int(math.Ceil(math.Sqrt(float64(o.Emitters))))
	pitch := o.SizeM / float64(max(1, side-1))
	former := math.Max(1e-3, math.Round(0.1e3*o.SizeM)/1e3) // in whole millimetres, as they are turned
	for i := range o.Emitters {
		line("- name: e%d", i+1)
		line("  current_a_peak: 0.5             # peak; 0.35 A rms is 0.5 A peak")
		if o.SoundCard {
			line("  phase_deg: %-4d                 # of the current at the file's first sample", i*i*180/o.Emitters%360)
		} else {
			line("  reference: {channel: drive, transimpedance_ohm: 0.5}   # volts at the channel per ampere: the shunt")
		}
		known := "" // of the current
		if o.SoundCard {
			known = "current: 0.02, phase_deg: 0.5, " // nothing measures it
		}
		line("  tolerance: {%scenter_m: 0.001, axis_rad: 0.02, strength: 0.02}", known)
		center := r3.Vec{X: pitch*float64(i%side) - half, Y: pitch*float64(i/side) - half}
		axis := []r3.Vec{{X: 0.4, Z: 1}, {Y: 0.4, Z: 1}, {X: -0.4, Z: 1}, {Y: -0.4, Z: 1}}[i%4]
		turn := 2 * math.Pi * float64(i) / float64(o.Emitters)
		switch o.Layout {
		case Ring:
			out := 0.4 * float64(1-2*(i%2))
			center, axis = r3.Vec{X: half * math.Cos(turn), Y: half * math.Sin(turn)}, r3.Vec{X: out * math.Cos(turn), Y: out * math.Sin(turn), Z: 1}
			fallthrough
		case Grid:
			line("  model: {type: loop, center_m: [%.4f, %.4f, 0], axis: [%.3f, %.3f, 1], radius_m: %.4g, turns: 40}", center.X+0, center.Y+0, axis.X+0, axis.Y+0, former)
		case Plate:
			width := 0.6 * pitch
			line("  model: {type: rectangle, center_m: [%.4f, %.4f, 0], axis: [0, 0, 1], width_axis: [1, 0, 0], width_m: %.4g, height_m: %.4g, turns: 20}", center.X+0, center.Y+0, width, width)
		}
	}
	line("sensors:")
	line("- name: probe")
	line("  coils:                          # in the sensor's own frame; axes by the right hand along the wound wire")
	for k := range o.Coils {
		axis := [3]string{"[0, 0, 1]", "[1, 0, 0]", "[0, 1, 0]"}[k]
		line("  - {channel: rx%d, center_m: [0, 0, %.4g], axis: %s, area_turns_m2: 0.004, radius_m: 0.004,   # 80 turns of 4 mm", k+1, 0.006*float64(k), axis)
		line("     tolerance: {center_m: 0.0002, axis_rad: 0.015, sensitivity: 0.03}}")
	}
	return b.String()
}

func fullScale(o Options) string {
	if o.SoundCard {
		return "1"
	}
	return "2.5"
}
