// Package plausible finds in a rig file what can be but is hardly meant.
package plausible

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
)

// farVolumes is how many diagonals of the working volume away nothing can be of use: a
// coil's field falls with the cube of the distance, here below 1e-5 of that at one.
const farVolumes = 50

// Doubts lists what can be but hardly is meant: lengths in millimetres, frequencies in
// kilohertz, currents in milliamperes. What is wrong with all emitters alike is said once.
func Doubts(r *rig.Rig) (all []string) {
	say := func(format string, values ...any) { all = append(all, fmt.Sprintf(format, values...)) }
	v := r.WorkingVolume
	reach, middle := r3.Norm(r3.Sub(v.Max, v.Min)), r3.Scale(0.5, r3.Add(v.Min, v.Max))
	if reach > 10 {
		say("working_volume: %.3g m from corner to corner is more than coils reach: are these millimetres? lengths are in metres", reach)
	}
	if r.SampleRateHz < 1000 {
		say("sample_rate_hz = %s: is this kHz? then write %s", format(r.SampleRateHz), format(r.SampleRateHz*1e3))
	}
	for i, c := range r.Channels {
		at := fmt.Sprintf("channels[%d] (%s)", i, c.Name)
		if c.FullScaleV > 100 {
			say("%s: full_scale_v = %s is more than a converter takes: are these millivolts?", at, format(c.FullScaleV))
		}
		if math.Abs(c.DelayS) > 0.01 {
			say("%s: delay_s = %s is longer than any converter's: are these micro- or milliseconds?", at, format(c.DelayS))
		}
	}
	slips := map[string][]string{} // what is slipped: the emitters' names with values
	var order []string
	slip := func(what, name, value string) {
		if slips[what] == nil {
			order = append(order, what)
		}
		slips[what] = append(slips[what], name+" "+value)
	}
	for i := range r.Emitters {
		e := &r.Emitters[i]
		m := &e.Model
		if d := r3.Norm(r3.Sub(center(m), middle)); d > farVolumes*reach {
			slip("its centre is farther from the working volume than fifty times its size: are these millimetres? lengths are in metres", e.Name, fmt.Sprintf("(%.4g m)", d))
		}
		if size := max(m.RadiusM, m.OuterRadiusM, m.LengthM, m.WidthM, m.HeightM); size > 10*reach {
			slip("it is larger than ten times the working volume: are these millimetres? lengths are in metres", e.Name, fmt.Sprintf("(%.4g m)", size))
		}
		if e.CurrentPeakA > 100 {
			slip("current_a_peak is more than a bench drives: are these milliamperes?", e.Name, fmt.Sprintf("(%.4g A)", e.CurrentPeakA))
		}
		if e.ToneHz > 0 && e.ToneHz < 200 {
			slip("tone_hz is a frequency of mains: is this kHz?", e.Name, fmt.Sprintf("(%.6g Hz)", e.ToneHz))
		}
	}
	for _, what := range order {
		if who := slips[what]; len(who) == len(r.Emitters) && len(who) > 1 {
			say("all %d emitters, as %s: %s", len(who), who[0], what)
		} else {
			say("%s: %s", strings.Join(who, ", "), what)
		}
	}
	for i, s := range r.Sensors {
		for k, c := range s.Coils {
			at := fmt.Sprintf("sensors[%d].coils[%d] (%s)", i, k, s.Name)
			if c.AreaTurnsM2 > 1 {
				say("%s: area_turns_m2 = %s: are these square millimetres? 100 turns of 40 mm² are 0.004", at, format(c.AreaTurnsM2))
			}
			if d := max(r3.Norm(c.CenterM), c.RadiusM); d > reach {
				say("%s: %.4g m is larger than the working volume: are these millimetres? lengths are in metres", at, d)
			}
		}
	}
	return all
}

// center is about where a model is [m].
func center(m *rig.Model) r3.Vec {
	switch {
	case len(m.PointsM) > 0:
		return m.PointsM[0]
	case len(m.Parts) > 0:
		return center(&m.Parts[0])
	}
	return m.CenterM
}

func format(x float64) string { return strconv.FormatFloat(x, 'g', 10, 64) }
