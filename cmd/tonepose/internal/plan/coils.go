package plan

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/coil"
)

// Coil is what an emitter asks of its driver: Load, at its tone and alone. Numbers
// that the model does not give are NaN.
type Coil struct {
	Emitter       string  `json:"emitter"`
	WireM         float64 `json:"wire_diameter_m"`
	WireAssumed   bool    `json:"wire_assumed"`
	Fill          float64 `json:"fill"` // of the cross-section, square packing
	ResistanceOhm float64 `json:"resistance_dc_ohm"`
	InductanceH   float64 `json:"inductance_h"`
	SkinDepthM    float64 `json:"skin_depth_m"`
	ResonanceHz   float64 `json:"self_resonance_hz"`
	coil.Load
	RiseK     float64 `json:"temperature_rise_k"`
	MomentAm2 float64 `json:"moment_a_m2_peak"`
}

// Pickup is a pickup coil.
type Pickup struct {
	Sensor        string  `json:"sensor"`
	Channel       string  `json:"channel"`
	AreaTurnsM2   float64 `json:"area_turns_m2"`
	Turns         float64 `json:"turns"` // of the stated area, if a radius is stated
	LowVT         float64 `json:"sensitivity_lowest_tone_v_per_t"`
	HighVT        float64 `json:"sensitivity_highest_tone_v_per_t"`
	ResistanceOhm float64 `json:"resistance_ohm"` // with --pickup-wire
	ThermalV      float64 `json:"thermal_noise_v_per_rt_hz"`
}

// winding is the coil of a model wound of w, or without w of a wire that suits it;
// NaN, but for the wire, of a model that is no coil.
func winding(m *rig.Model, w coil.Wire) coil.Coil {
	switch {
	case w != (coil.Wire{}):
	case m.Type == "sheet": // one layer fills the length
		w = filling(m.LengthM / m.Turns)
	case m.Type == "winding":
		w = filling(math.Sqrt((m.OuterRadiusM - m.InnerRadiusM) * m.LengthM / m.Turns))
	default:
		w = coil.Enamelled(0.5e-3)
	}
	switch m.Type {
	case "loop":
		return coil.Bundle(m.RadiusM, m.Turns, w)
	case "rectangle":
		return coil.RectangularBundle(m.WidthM, m.HeightM, m.Turns, w)
	case "sheet":
		return coil.Coil{InnerRadius: m.RadiusM, OuterRadius: m.RadiusM, Length: m.LengthM, Turns: m.Turns, Wire: w}
	case "winding":
		return coil.Coil{InnerRadius: m.InnerRadiusM, OuterRadius: m.OuterRadiusM, Length: m.LengthM, Turns: m.Turns, Wire: w}
	}
	nan := math.NaN()
	return coil.Coil{InnerRadius: nan, OuterRadius: nan, Length: nan, Turns: nan, Wire: w}
}

// filling is a wire as thick as a pitch allows [m], enamel included.
func filling(pitch float64) coil.Wire {
	w := coil.Enamelled(pitch)
	for range 50 { // the coat is thin: this converges quickly
		w = coil.Enamelled(math.Max(w.Diameter+(pitch-w.Insulated), pitch/4))
	}
	return w
}

// wireLength is that of a polyline [m].
func wireLength(m *rig.Model) float64 {
	sum := 0.0
	for i := 1; i < len(m.PointsM); i++ {
		sum += r3.Norm(r3.Sub(m.PointsM[i], m.PointsM[i-1]))
	}
	if m.Closed {
		sum += r3.Norm(r3.Sub(m.PointsM[0], m.PointsM[len(m.PointsM)-1]))
	}
	return sum * m.Turns
}

// hot is the temperature rise [K] from which plan warns: skin touches it, enamel
// and glue age, and copper's resistance is 16 % up.
const hot = 40

func (p *Plan) coils() {
	r, o := p.Bench, &p.Options
	lowest, highest := math.Inf(1), 0.0
	for _, e := range r.Emitters {
		lowest, highest = math.Min(lowest, e.ToneHz), math.Max(highest, e.ToneHz)
	}
	for i := range r.Emitters {
		e := &r.Emitters[i]
		w := winding(&e.Model, o.Wire)
		c := Coil{Emitter: e.Name, WireM: w.Wire.Diameter, WireAssumed: o.Wire == (coil.Wire{}), Fill: w.Fill(), ResistanceOhm: w.Resistance(o.AmbientC),
			InductanceH: w.Inductance(), SkinDepthM: coil.SkinDepth(coil.Resistivity(o.AmbientC), 1, e.ToneHz), ResonanceHz: w.SelfResonance(),
			Load: w.Drive(e.ToneHz, e.CurrentPeakA, o.AmbientC), RiseK: w.TemperatureRise(e.ToneHz, e.CurrentPeakA, o.AmbientC),
			MomentAm2: r3.Norm(e.Model.Moment()) * e.CurrentPeakA}
		switch e.Model.Type {
		case "polyline":
			c.ResistanceOhm = w.Wire.Resistance(o.AmbientC) * wireLength(&e.Model)
			c.PowerW = c.ResistanceOhm * e.CurrentPeakA * e.CurrentPeakA / 2
		case "dipole", "sum":
			c.WireM = math.NaN()
		}
		p.Coils = append(p.Coils, c)
	}
	p.coilCautions()
	for s := range r.Sensors {
		for k := range r.Sensors[s].Coils {
			c := &r.Sensors[s].Coils[k]
			w := pickupWinding(c, o.PickupWire)
			ohm := w.Resistance(o.AmbientC)
			p.Pickups = append(p.Pickups, Pickup{Sensor: r.Sensors[s].Name, Channel: r.Channels[c.Channel].Name, AreaTurnsM2: c.AreaTurnsM2, Turns: w.Turns,
				LowVT: coil.Sensitivity(c.AreaTurnsM2, lowest), HighVT: coil.Sensitivity(c.AreaTurnsM2, highest),
				ResistanceOhm: ohm, ThermalV: coil.ThermalNoise(ohm, o.AmbientC)})
		}
	}
}

// coilCautions warns of coils that get hot, resonate, do not fit or make high
// voltages, those alike together.
func (p *Plan) coilCautions() {
	var warm, ringing, full, high alike
	for i, c := range p.Coils {
		warm.add(c.Emitter, c.RiseK, c.RiseK >= hot)
		ringing.add(c.Emitter, -c.ResonanceHz, c.ResonanceHz < 10*p.Bench.Emitters[i].ToneHz)
		full.add(c.Emitter, c.Fill, c.Fill > 1+1e-6)
		high.add(c.Emitter, c.CapacitorVoltV, c.CapacitorVoltV > 50)
	}
	if warm.names != nil {
		how := fmt.Sprintf("warmer by up to %.0f K", warm.most)
		if math.IsInf(warm.most, 1) {
			how = "ever warmer, until the enamel chars,"
		}
		p.caution("%v: becomes too hot to touch, can burn: %s in still air: thicker wire, less current or pauses; warm copper drifts by 0.39 %% a kelvin, which the digitised drive current follows", warm, how)
	}
	if ringing.names != nil {
		p.caution("%v: self-resonance, from about %.3g kHz, within ten times the tone: current through the winding's own capacitance makes less field than the drive channel shows", ringing, -ringing.most/1e3)
	}
	if full.names != nil {
		p.caution("%v: the wire takes up to %.3g times the winding's cross-section: it can not be wound so", full, full.most)
	}
	if high.names != nil {
		p.caution("%v: up to %.0f V peak on a series capacitor: rate it so, and keep hands off", high, high.most)
	}
}

// alike are coils or channels that one caution is about.
type alike struct {
	names []string
	most  float64 // of the value that it is about
}

func (a *alike) add(name string, value float64, is bool) {
	if !is {
		return
	}
	if a.names == nil {
		a.most = value
	}
	a.names, a.most = append(a.names, name), math.Max(a.most, value)
}

// String lists a few names, of many the first and the count.
func (a alike) String() string {
	if len(a.names) > 8 {
		return fmt.Sprintf("%s … (%d coils)", strings.Join(a.names[:3], ", "), len(a.names))
	}
	return strings.Join(a.names, ", ")
}

// pickupWinding is a pickup's coil, whose mean turn has the stated radius. What
// follows from a radius or a wire that is not known is NaN.
func pickupWinding(c *rig.Coil, w coil.Wire) coil.Coil {
	radius := c.RadiusM
	if radius == 0 {
		radius = math.NaN()
	}
	if w == (coil.Wire{}) {
		w = coil.Wire{Diameter: math.NaN(), Insulated: math.NaN()}
	}
	return coil.Bundle(radius, c.AreaTurnsM2/(math.Pi*radius*radius), w)
}
