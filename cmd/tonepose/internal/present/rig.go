package present

import (
	"fmt"
	"io"

	"tonepose/cmd/tonepose/internal/rig"
)

// Understood is a rig file as it is read.
type Understood struct {
	Rig      *rig.Rig
	Warnings []string // of what is hardly meant
}

// Summary is what --json has of it.
func (u Understood) Summary() any {
	coils := 0
	for _, s := range u.Rig.Sensors {
		coils += len(s.Coils)
	}
	return struct {
		Name     string   `json:"name"`
		Channels int      `json:"channels"`
		Emitters int      `json:"emitters"`
		Sensors  int      `json:"sensors"`
		Coils    int      `json:"coils"`
		Warnings []string `json:"warnings"`
	}{u.Rig.Name, len(u.Rig.Channels), len(u.Rig.Emitters), len(u.Rig.Sensors), coils, append([]string{}, u.Warnings...)}
}

// Print prints it in words.
func (u Understood) Print(w io.Writer) error {
	r, out := u.Rig, newPage(w)
	v := r.WorkingVolume
	out.titled(r.Name, "%s a channel; working volume x %s … %s, y %s … %s, z %s … %s mm", Quantity(r.SampleRateHz, "Hz"),
		scaled(v.Min.X, 1e-3), scaled(v.Max.X, 1e-3), scaled(v.Min.Y, 1e-3), scaled(v.Max.Y, 1e-3), scaled(v.Min.Z, 1e-3), scaled(v.Max.Z, 1e-3))
	use := map[int]string{}
	emitters := &sheet{title: "Emitters", columns: []column{text("emitter"), number("tone", "Hz"), number("current", "A peak"), text("measured on"), text("model"), number("moment", "m²", "turns × area")}}
	for i := range r.Emitters {
		e := &r.Emitters[i]
		tone, current, on := "open", "open", "not measured"
		if e.ToneHz > 0 {
			tone = fmt.Sprintf("%.10g", e.ToneHz)
		}
		if e.CurrentPeakA > 0 {
			current = Number(e.CurrentPeakA, 3)
		}
		if e.Reference != nil {
			on = fmt.Sprintf("%s, %s", r.Channels[e.Reference.Channel].Name, Quantity(e.Reference.TransimpedanceOhm, "V/A"))
			use[e.Reference.Channel] = "drive"
		}
		m := e.Model.Moment()
		emitters.row(e.Name, tone, current, on, e.Model.Type, triple([3]float64{m.X, m.Y, m.Z}, 1, 4))
	}
	sensors := &sheet{title: "Sensors", columns: []column{text("sensor"), text("coil on"), text("centre (mm)"), text("axis"), number("turns × area", "mm²")}}
	for _, s := range r.Sensors {
		for _, c := range s.Coils {
			use[c.Channel] = "coil of " + s.Name
			sensors.row(s.Name, r.Channels[c.Channel].Name, triple([3]float64{c.CenterM.X, c.CenterM.Y, c.CenterM.Z}, 1e-3, 2), triple([3]float64{c.Axis.X, c.Axis.Y, c.Axis.Z}, 1, 3), Number(c.AreaTurnsM2*1e6, 3))
		}
		if freedom := min(6, 4+len(s.Coils)); len(s.Coils) == 1 {
			sensors.note("%s: %d degrees of freedom, the turn about its coil is not seen", s.Name, freedom)
		}
	}
	channels := &sheet{title: "Channels, in the recording's order", columns: []column{number("column", ""), text("channel"), text("carries"), number("full scale", "V"), number("gain", ""), number("delay", "µs")}}
	for i, c := range r.Channels {
		carries, gain := use[i], Number(c.Gain, 3)
		if carries == "" {
			carries = "nothing of the rig"
		}
		if len(c.Table) > 0 {
			gain = "table"
		}
		channels.row(fmt.Sprint(i+1), c.Name, carries, fullScale(c.FullScaleV), gain, Number(c.DelayS*1e6, 3))
	}
	for _, t := range []*sheet{channels, emitters, sensors, cautionsSheet(u.Warnings)} {
		out.sheet(t, false)
	}
	return out.err
}
