package cli

import (
	"fmt"
	"math"
	"strings"

	"tonepose/cmd/tonepose/internal/plan"
	"tonepose/cmd/tonepose/internal/present"
)

const (
	practice = "common practice"
	deg      = math.Pi / 180
)

func tonesSheet(p *plan.Plan, o *plan.Options) *sheet {
	t := &sheet{title: "Tones", columns: []sheetColumn{
		{name: "emitter", unit: textUnit}, {name: "tone", unit: "Hz"}, {name: "", unit: textUnit}, {name: "current", unit: "A peak"}, {name: " ", unit: textUnit},
		{name: "conflicts", formula: "distance to multiples of the grid, mains harmonics up to the sample rate, harmonics to the 5th, sums and differences of 2nd and 3rd order, and aliases of all of these", source: practice}}}
	for _, e := range p.Tones.Tones {
		how, current := "given", "given"
		if e.Chosen {
			how = "chosen"
		}
		if e.Assumed {
			current = "assumed"
		}
		t.row(e.Emitter, fmt.Sprintf("%.10g", e.Hz), how, present.Number(e.CurrentPeakA, 3), current, fmt.Sprint(e.Conflicts))
	}
	mains := "no mains"
	if len(o.MainsHz) > 0 {
		var words []string
		for _, m := range o.MainsHz {
			words = append(words, fmt.Sprintf("%g Hz", m))
		}
		mains = "mains of " + strings.Join(words, " and ")
	}
	t.note("grid of %g Hz; kept clear by %g Hz of %s, harmonics and intermodulation", p.Tones.GridHz, p.Tones.MarginHz, mains)
	const most = 12
	for i, c := range p.Tones.Conflicts {
		if i == most {
			t.note("… and %d more: --json lists them all", len(p.Tones.Conflicts)-most)
			break
		}
		t.note("conflict: %s", c)
	}
	return t
}

func drivesSheet(p *plan.Plan) *sheet {
	t := &sheet{title: "Drive channels", columns: []sheetColumn{
		{name: "channel", unit: textUnit}, {name: "tones"},
		{name: "crest factor", formula: "peak/rms of Σ R·I·cos(2πft + φ) with the phases below", source: "phases minimised by Guillaume et al., IEEE Trans. Instrum. Meas. 40, 1991"},
		{name: "peak", unit: "V", formula: "crest factor times rms, at the ADC"},
		{name: "were all to peak", unit: "V", formula: "Σ R·I"}, {name: "full scale", unit: "V"}}}
	for _, d := range p.Drives {
		full := "–"
		if d.FullScaleV > 0 {
			full = present.Number(d.FullScaleV, 3)
		}
		t.row(d.Channel, fmt.Sprint(len(d.Emitters)), num(d.Crest, 1), num(d.PeakV, 1), present.Number(d.InPhaseV, 3), full)
		if len(d.Emitters) < 2 {
			continue
		}
		if d.Explanation != "" {
			t.note("%s: no phases found: %s", d.Channel, d.Explanation)
			continue
		}
		if d.PeriodS == 0 {
			t.note("%s: tones without a common period: no phases keep them from peaking together some time", d.Channel)
			continue
		}
		var phases []string
		for i, e := range d.Emitters {
			phases = append(phases, fmt.Sprintf("%s %.1f", e, d.PhasesDeg[i]))
		}
		t.note("%s: phases of the currents in degrees (cosine, at time zero): %s", d.Channel, strings.Join(phases, ", "))
	}
	return t
}

func budgetSheet(p *plan.Plan, o *plan.Options, explain bool) *sheet {
	if len(p.Budget.Entries) == 0 {
		return nil
	}
	t := &sheet{title: fmt.Sprintf("Averaging: %s on %s, sensor in the middle of the working volume, any attitude (rms)", p.Budget.Emitter, p.Budget.Channel),
		columns: []sheetColumn{{name: "quantity", unit: textUnit}, {name: "", unit: textUnit}, {name: "value", unit: textUnit}}}
	if explain {
		t.columns = append(t.columns, sheetColumn{name: "formula", unit: textUnit}, sheetColumn{name: "source", unit: textUnit})
	}
	// What a reader plans with; --explain shows the rest of the arithmetic too.
	brief := map[string]bool{"signal": true, "analog noise density": true, "quantising noise density": true, "noise density": true, "broadband noise": true,
		"input signal-to-noise": true, "equivalent noise bandwidth": true, "averaged noise": true, "signal-to-noise": true, "equivalent filter Q": true, "bandwidth ratio": true}
	for _, q := range p.Budget.Entries {
		if !explain && !brief[q.Name] {
			continue
		}
		value := present.Number(q.Value, 3)
		if q.Unit != "" && q.Unit != "dB" {
			value = present.Quantity(q.Value, q.Unit)
		} else if q.Unit != "" {
			value += " " + q.Unit
		}
		row := []string{q.Name, q.Symbol, value}
		if explain {
			if q.Given {
				row = append(row, "from the rig and the flags", "")
			} else {
				row = append(row, q.Formula, q.Source)
			}
		}
		t.row(row...)
	}
	return t
}

func coilsSheet(p *plan.Plan, o *plan.Options) *sheet {
	t := &sheet{title: fmt.Sprintf("Emitter coils at %g °C", o.AmbientC), columns: []sheetColumn{
		{name: "emitter", unit: textUnit},
		{name: "wire", unit: "mm"},
		{name: "fill", unit: "%", formula: "turns × (diameter over enamel)² over the cross-section; a thin loop counts as a square bundle", source: practice},
		{name: "R dc", unit: "Ω", formula: "ρ(T)·length/area, ρ = 1/58 µΩ·m·(1 + 0.00393 (T − 20 °C))", source: "IEC 60028"},
		{name: "L", unit: "µH", formula: "mean mutual inductance over all pairs of circles in the cross-section", source: "Maxwell, Treatise, art. 701; Nagaoka 1909 for one layer; Grover 1946 for rectangles"},
		{name: "R at tone", unit: "Ω", formula: "Dowell's layers with their skin and proximity effect, an upper estimate", source: "Dowell, Proc. IEE 113, 1966"},
		{name: "skin depth", unit: "mm", formula: "√(2ρ/(ωμ0))", source: "textbook"},
		{name: "self-resonance", unit: "kHz", formula: "1/(2π√(LC)), C within a factor of two", source: "Medhurst, Wireless Engineer 24, 1947, and layer energy"},
		{name: "moment", unit: "A·m² peak", formula: "turns × area × current", source: "textbook"}}}
	assumed := false
	for _, c := range p.Coils {
		wire := num(c.WireM, 1e-3)
		if c.WireAssumed && wire != "–" {
			wire, assumed = "~"+wire, true
		}
		t.row(c.Emitter, wire, num(c.Fill, 0.01), num(c.ResistanceOhm, 1), num(c.InductanceH, 1e-6), num(c.ACOhm, 1), num(c.SkinDepthM, 1e-3), num(c.ResonanceHz, 1e3), num(c.MomentAm2, 1))
	}
	if assumed {
		t.note("~ assumed: the rig does not tell the wire; --wire does")
	}
	return t
}

func drivingSheet(p *plan.Plan) *sheet {
	t := &sheet{title: "Driving them (each coil alone, at its tone)", columns: []sheetColumn{
		{name: "emitter", unit: textUnit},
		{name: "voltage", unit: "V peak", formula: "|R + jωL|·I", source: "textbook"},
		{name: "series capacitor", unit: "nF", formula: "1/(ω²L), resonant at the tone", source: "textbook"},
		{name: "voltage with it", unit: "V peak", formula: "R·I", source: "textbook"},
		{name: "on the capacitor", unit: "V peak", formula: "ωL·I", source: "textbook"},
		{name: "heat", unit: "W", formula: "R·I²/2", source: "textbook"},
		{name: "temperature rise", unit: "K", formula: "heat/(10 W/(m²·K) × surface), resistance rising with it; free in still air", source: practice}}}
	for _, c := range p.Coils {
		t.row(c.Emitter, num(c.VoltageV, 1), num(c.CapacitorF, 1e-9), num(c.ResonantV, 1), num(c.CapacitorVoltV, 1), num(c.PowerW, 1), num(c.RiseK, 1))
	}
	return t
}

func pickupsSheet(p *plan.Plan) *sheet {
	t := &sheet{title: "Pickup coils", columns: []sheetColumn{
		{name: "sensor", unit: textUnit}, {name: "channel", unit: textUnit}, {name: "turns × area", unit: "mm²"},
		{name: "turns", formula: "turns × area over π·radius²", source: "textbook"},
		{name: "lowest tone", unit: "V/T", formula: "ω × turns × area", source: "textbook"},
		{name: "highest tone", unit: "V/T", formula: "ω × turns × area", source: "textbook"},
		{name: "R", unit: "Ω", formula: "as for emitters, wound of --pickup-wire", source: "IEC 60028"},
		{name: "thermal noise", unit: "nV/√Hz", formula: "√(4kTR)", source: "Nyquist, Phys. Rev. 32, 1928"}}}
	unknown := false
	for _, c := range p.Pickups {
		t.row(c.Sensor, c.Channel, present.Number(c.AreaTurnsM2*1e6, 3), num(c.Turns, 1), present.Number(c.LowVT, 3), present.Number(c.HighVT, 3), num(c.ResistanceOhm, 1), num(c.ThermalV, 1e-9))
		unknown = unknown || math.IsNaN(float64(c.ThermalV))
	}
	if unknown {
		t.note("without --pickup-wire and a radius there is no thermal noise: --noise then has to hold it")
	}
	return t
}

const crb = "√ of the trace of the inverse of Σ jᵀj/σ², j the couplings' derivatives"

// lengthUnit is what errors of about v are told in.
func lengthUnit(v plan.Real) (float64, string) {
	if v >= 1e-3 && !math.IsInf(float64(v), 1) {
		return 1e-3, "mm"
	}
	return 1e-6, "µm"
}

func accuracySheet(p *plan.Plan, s *plan.Sensor) *sheet {
	t := &sheet{title: fmt.Sprintf("Predicted accuracy of %s (%d degrees of freedom), %s windows", s.Sensor, s.Freedom, present.Quantity(p.Window.LengthS, "s")), columns: []sheetColumn{
		{name: "rms error", unit: textUnit},
		{name: "median", formula: crb + "; over the working volume and attitudes", source: "Cramér–Rao bound"},
		{name: "95 %", formula: "that 95 % of the poses stay below"}, {name: "worst", formula: "of all poses that are not blind"}, {name: "rms", formula: "over all poses"},
		{name: "unit", unit: textUnit}}}
	unit, word := lengthUnit(s.Position.P95)
	t.row("position", num(s.Position.Median, unit), num(s.Position.P95, unit), num(s.Position.Worst, unit), num(s.Position.RMS, unit), word)
	t.row("orientation", num(s.Rotation.Median, deg), num(s.Rotation.P95, deg), num(s.Rotation.Worst, deg), num(s.Rotation.RMS, deg), "°")
	t.note("noise alone; calibration, metal nearby and motion add to it. %d poses; best about (%s) mm, worst at (%s) mm", s.Poses, at(s.BestAt), at(s.WorstAt))
	switch {
	case s.Blind == s.Poses:
		t.note("blind everywhere")
	case s.Blind > 0:
		const most = 5
		var where []string
		for i, b := range s.BlindAt {
			if i == most {
				where = append(where, "…")
				break
			}
			where = append(where, "("+at(b)+")")
		}
		t.note("blind spots: %d of %d poses, at %s mm", s.Blind, s.Poses, strings.Join(where, ", "))
	default:
		t.note("no blind spots")
	}
	if w := s.Wanted; w != nil && !math.IsInf(float64(w.WindowS), 0) {
		verdict := "met"
		if !w.Reached {
			verdict = "not met"
		}
		t.note("wanted %s for 95 %% of the poses: %s; needs windows of %s, %s updates", present.Quantity(w.AccuracyM, "m"), verdict, present.Quantity(float64(w.WindowS), "s"), present.Quantity(float64(w.UpdateHz), "Hz"))
	}
	return t
}

func ratesSheet(p *plan.Plan, s *plan.Sensor) *sheet {
	unit, word := lengthUnit(s.Position.P95)
	t := &sheet{title: "Update rate against accuracy, " + s.Sensor, columns: []sheetColumn{
		{name: "window", unit: "ms"}, {name: "updates", unit: "Hz", formula: "1/window, no overlap"},
		{name: "position median", unit: word, formula: "∝ 1/√window", source: practice}, {name: "95 %", unit: word, formula: "likewise"},
		{name: "orientation median", unit: "°", formula: "likewise"}, {name: "95 % ", unit: "°", formula: "likewise"}}}
	for _, r := range s.Rates {
		t.row(present.Number(r.WindowS*1e3, 3), present.Number(r.UpdateHz, 3), num(r.PositionMedian, unit), num(r.PositionP95, unit), num(r.RotationMedian, deg), num(r.RotationP95, deg))
	}
	t.note("below %.3g ms the tones are not apart", p.Window.LeastS*1e3)
	return t
}

func rangeSheet(p *plan.Plan, s *plan.Sensor) *sheet {
	t := &sheet{title: "Dynamic range, " + s.Sensor + " (at the ADC)", columns: []sheetColumn{
		{name: "channel", unit: textUnit},
		{name: "largest peak", unit: "V", formula: "Σ over tones of gain·ω·turns×area·|B|·I at the strongest place: every tone at its worst attitude, all peaking together"},
		{name: "full scale", unit: "V"},
		{name: "weakest", unit: "mV rms", formula: "root of the sum of the tones' squares at the weakest place, mean over attitudes"},
		{name: "noise", unit: "µV rms", formula: "noise density × √(noise bandwidth), the noisiest tone", source: practice},
		{name: "range", unit: "dB", formula: "20·lg(strongest rms, mean over attitudes, over noise)"},
		{name: "gain"},
		{name: "suggested", formula: "the largest peak at 70 % of full scale, rounded down", source: practice}}}
	for _, c := range s.Channels {
		full := "–"
		if c.FullScaleV > 0 {
			full = present.Number(c.FullScaleV, 3)
		}
		t.row(c.Channel, num(c.PeakV, 1), full, num(c.WeakestRMSV, 1e-3), num(c.SigmaV*plan.Real(math.Sqrt(0.5)), 1e-6), num(c.RangeDB, 1), num(c.Gain, 1), num(c.Suggested, 1))
	}
	if len(s.Channels) > 0 {
		t.note("strongest at (%s) mm, weakest at (%s) mm", at(s.Channels[0].PeakAt), at(s.Channels[0].WeakestAt))
	}
	return t
}

func designSheet(p *plan.Plan) *sheet {
	d := p.Design
	if d == nil {
		return nil
	}
	t := &sheet{title: fmt.Sprintf("Optimised for the %s position error of %s", d.Goal, d.Sensor), columns: []sheetColumn{
		{name: "rms error", unit: textUnit}, {name: "before", formula: "as under predicted accuracy, before and after the moves"}, {name: "after", formula: "likewise"}, {name: "unit", unit: textUnit}, {name: "gain", formula: "before over after"}}}
	row := func(name string, before, after plan.Real, unit float64, word string) {
		t.row(name, num(before, unit), num(after, unit), word, num(before/after, 1))
	}
	unit, word := lengthUnit(d.Before.Position.P95)
	row("position, worst", d.Before.Position.Worst, d.After.Position.Worst, unit, word)
	row("position, 95 %", d.Before.Position.P95, d.After.Position.P95, unit, word)
	row("position, rms", d.Before.Position.RMS, d.After.Position.RMS, unit, word)
	row("orientation, worst", d.Before.Rotation.Worst, d.After.Rotation.Worst, deg, "°")
	row("orientation, rms", d.Before.Rotation.RMS, d.After.Rotation.RMS, deg, "°")
	t.note("blind poses %d before, %d after; %d placements tried", d.Before.Blind, d.After.Blind, d.Trials)
	return t
}

func movesSheet(p *plan.Plan) *sheet {
	if p.Design == nil {
		return nil
	}
	t := &sheet{title: "Moves", columns: []sheetColumn{{name: "emitter", unit: textUnit}, {name: "shift x, y, z (mm)", unit: textUnit}, {name: "tilt", unit: "°", formula: "about the centre"},
		{name: "centre x, y, z (mm)", unit: textUnit}, {name: "axis", unit: textUnit}}}
	for _, m := range p.Design.Moves {
		t.row(m.Emitter, fmt.Sprintf("%.1f, %.1f, %.1f", m.ShiftM[0]*1e3, m.ShiftM[1]*1e3, m.ShiftM[2]*1e3),
			present.Number(math.Sqrt(m.TiltRad[0]*m.TiltRad[0]+m.TiltRad[1]*m.TiltRad[1]+m.TiltRad[2]*m.TiltRad[2])/deg, 3),
			fmt.Sprintf("%.1f, %.1f, %.1f", m.CenterM[0]*1e3, m.CenterM[1]*1e3, m.CenterM[2]*1e3), fmt.Sprintf("%.3f, %.3f, %.3f", m.Axis[0], m.Axis[1], m.Axis[2]))
	}
	return t
}

const icnirp = "ICNIRP 2010, Health Physics 99(6), tables 3 and 4"

func reachSheet(p *plan.Plan) *sheet {
	x := &p.Exposure
	t := &sheet{title: "Exposure: where the field of all tones exceeds the reference levels", columns: []sheetColumn{
		{name: "emitter", unit: textUnit}, {name: "tone", unit: "Hz"},
		{name: "general public", unit: "µT rms", source: icnirp, formula: "reference level at the tone"}, {name: "exceeded within", unit: "mm", formula: "farthest place from the coil's centre, no other centre being nearer, where Σ B/B_ref > 1", source: "ICNIRP 2010, equation (5)"},
		{name: "occupational", unit: "µT rms", source: icnirp, formula: "reference level at the tone"}, {name: "exceeded within ", unit: "mm", formula: "likewise", source: "ICNIRP 2010, equation (5)"}}}
	if x.Unavailable != "" {
		t.note("no comparison: %s", x.Unavailable)
		return t
	}
	for i, r := range x.Reaches {
		t.row(r.Emitter, fmt.Sprintf("%.10g", x.Levels[i].Hz), present.Number(x.Levels[i].PublicT*1e6, 3), num(r.PublicM, 1e-3), present.Number(x.Levels[i].OccupationalT*1e6, 3), num(r.OccupationalM, 1e-3))
	}
	return t
}

func fieldSheet(p *plan.Plan) *sheet {
	x := &p.Exposure
	if x.Unavailable != "" {
		return nil
	}
	t := &sheet{title: "Exposure: field of all tones", columns: []sheetColumn{
		{name: "where", unit: textUnit}, {name: "peak", unit: "µT", formula: "Σ of the tones' peaks: all aligned"}, {name: "rms", unit: "µT", formula: "root of the sum of the tones' squares"},
		{name: "general public", unit: "ratio", formula: "Σ B_rms/B_ref, to be at most 1", source: "ICNIRP 2010, equation (5)"}, {name: "occupational", unit: "ratio", formula: "likewise", source: "ICNIRP 2010, equation (5)"}}}
	add := func(where string, f plan.Field) {
		t.row(where, num(f.PeakT, 1e-6), num(f.RMST, 1e-6), num(f.Public, 1), num(f.Occupational, 1))
	}
	for _, f := range x.Distances {
		add(fmt.Sprintf("%s from the nearest coil's centre, at most", present.Quantity(float64(f.DistanceM), "m")), f)
	}
	add("in the working volume, at most", x.Volume)
	for _, f := range x.Points {
		add(fmt.Sprintf("at (%.4g, %.4g, %.4g) m", float64(f.At[0]), float64(f.At[1]), float64(f.At[2])), f)
	}
	t.note("Reference levels are rms values of the field with nobody in it. This is arithmetic, not a")
	t.note("safety assessment: local codes decide, as applied by those licensed to; clinical use is out of scope.")
	t.note("The levels do not assure implants. For people with implants or pacemakers the static guideline")
	t.note("warns from 0.5 mT on (ICNIRP 2009); it says nothing of tones of kilohertz: keep them away.")
	if x.HeatingToo {
		t.note("A tone lies above 100 kHz: limits on heating apply there too and are not looked at here.")
	}
	return t
}

func cautionsSheet(p *plan.Plan) *sheet {
	t := &sheet{title: "Cautions"}
	for _, c := range p.Cautions {
		t.note("! %s", c)
	}
	if len(p.Cautions) == 0 {
		t.note("none")
	}
	return t
}
