// Package plausible finds in a rig file what can be but is hardly meant.
package plausible

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
)

// farVolumes is how many diagonals of the working volume away nothing can be of use: a
// coil's field falls with the cube of the distance, here below 1e-5 of that at one.
const farVolumes = 50

// slips gathers what is slipped in many parts of one kind, to say it once.
type slips struct {
	of    int // parts of that kind
	kind  string
	order []string
	who   map[string][]string // what is slipped: the parts' names with values
}

func (s *slips) add(what, name, value string) {
	if s.who == nil {
		s.who = map[string][]string{}
	}
	if s.who[what] == nil {
		s.order = append(s.order, what)
	}
	s.who[what] = append(s.who[what], fmt.Sprintf("%s (%s)", name, value))
}

func (s *slips) lines() (all []string) {
	for _, what := range s.order {
		who := s.who[what]
		text := strings.Join(who, ", ")
		if len(who) == s.of && len(who) > 1 {
			text = fmt.Sprintf("all %d %s, as %s", len(who), s.kind, who[0])
		}
		all = append(all, text+": "+what)
	}
	return all
}

// Doubts lists what can be but hardly is meant: lengths in millimetres, frequencies in
// kilohertz, currents in milliamperes. What is wrong with all parts of a kind alike is said once.
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
	channels := slips{of: len(r.Channels), kind: "channels"}
	for _, c := range r.Channels {
		if c.FullScaleV > 100 {
			channels.add("full_scale_v is more than a converter takes: are these millivolts?", c.Name, format(c.FullScaleV)+" V")
		}
		if math.Abs(c.DelayS) > 0.01 {
			channels.add("delay_s is longer than any converter's: are these micro- or milliseconds?", c.Name, format(c.DelayS)+" s")
		}
	}
	emitters := slips{of: len(r.Emitters), kind: "emitters"}
	for i := range r.Emitters {
		e := &r.Emitters[i]
		m := &e.Model
		if d := r3.Norm(r3.Sub(center(m), middle)); d > farVolumes*reach {
			emitters.add("its centre is farther from the working volume than fifty times its size: are these millimetres? lengths are in metres", e.Name, fmt.Sprintf("%.4g m", d))
		}
		if size := max(m.RadiusM, m.OuterRadiusM, m.LengthM, m.WidthM, m.HeightM); size > 10*reach {
			emitters.add("it is larger than ten times the working volume: are these millimetres? lengths are in metres", e.Name, fmt.Sprintf("%.4g m", size))
		}
		if e.CurrentPeakA > 100 {
			emitters.add("current_a_peak is more than a bench drives: are these milliamperes?", e.Name, fmt.Sprintf("%.4g A", e.CurrentPeakA))
		}
		if e.ToneHz > 0 && e.ToneHz < 200 {
			emitters.add("tone_hz is as low as mains: is this kHz?", e.Name, fmt.Sprintf("%.6g Hz", e.ToneHz))
		}
	}
	coils := slips{kind: "pickup coils"}
	for _, s := range r.Sensors {
		for _, c := range s.Coils {
			coils.of++
			name := s.Name + " " + r.Channels[c.Channel].Name
			if c.AreaTurnsM2 > 1 {
				coils.add("area_turns_m2 is more than a pickup has: are these square millimetres? 100 turns of 40 mm² are 0.004", name, format(c.AreaTurnsM2)+" m²")
			}
			if d := max(r3.Norm(c.CenterM), c.RadiusM); d > reach {
				coils.add("it is larger than the working volume: are these millimetres? lengths are in metres", name, fmt.Sprintf("%.4g m", d))
			}
		}
	}
	return slices.Concat(all, channels.lines(), emitters.lines(), coils.lines())
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
