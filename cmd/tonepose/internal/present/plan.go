package present

import (
	"fmt"
	"io"
	"math"
	"strings"

	"gonum.org/v1/gonum/floats"

	"tonepose/cmd/tonepose/internal/caution"
	"tonepose/cmd/tonepose/internal/plan"
)

// Plan prints a plan; with explain also the formula and source of every number.
func Plan(w io.Writer, p *plan.Plan, explain bool) error {
	out := NewPlanPage(w, explain)
	for part := plan.Electrics; part <= plan.Cautioned; part++ {
		out.Show(p, part)
	}
	return out.Err()
}

// PlanPage prints a plan part by part, as they become ready.
type PlanPage struct {
	page    *page
	explain bool
	sensors int // of those printed
}

// NewPlanPage makes a page of a plan of which nothing is printed yet.
func NewPlanPage(w io.Writer, explain bool) *PlanPage {
	return &PlanPage{page: newPage(w), explain: explain}
}

// Err is the first error of the writer.
func (g *PlanPage) Err() error { return g.page.err }

// Show prints a part, of sensors those that were not printed.
func (g *PlanPage) Show(p *plan.Plan, part plan.Part) {
	if part == plan.Electrics {
		g.begin(p)
	}
	for _, t := range planSheets(p, part, g.sensors, g.explain) {
		g.page.sheet(t, g.explain)
	}
	if part == plan.Predicted {
		g.sensors = len(p.Sensors)
	}
}

func (g *PlanPage) begin(p *plan.Plan) {
	o, out := &p.Options, g.page
	out.line("%s", caution.Standing)
	noise := fmt.Sprintf("%s white noise at the amplifiers' inputs", Quantity(o.NoiseV, "V/√Hz"))
	if o.FlickerHz > 0 {
		noise += fmt.Sprintf(", flicker corner %s", Quantity(o.FlickerHz, "Hz"))
	}
	if o.Bits > 0 {
		noise += fmt.Sprintf(", %d-bit ADC", o.Bits)
	}
	out.titled(p.Rig, "%s a channel, %s windows of %s (noise bandwidth %s, %s updates)", Quantity(p.SampleRateHz, "Hz"),
		p.Window.Taper, Quantity(p.Window.LengthS, "s"), Quantity(p.Window.ENBWHz, "Hz"), Quantity(p.Window.UpdateHz, "Hz"))
	out.line("%s", noise)
	if g.explain {
		out.painted(out.faint("  · noise bandwidth: NENBW/(2·window), one-sided; NENBW 1 rectangular, 1.5 Hann (Harris, Proc. IEEE 66, 1978)"))
	}
}

// planSheets are the tables of a part of a plan, of sensors those from one on; nil: not
// of this one.
func planSheets(p *plan.Plan, part plan.Part, sensor int, explain bool) (all []*sheet) {
	switch part {
	case plan.Electrics:
		return []*sheet{tonesSheet(p), coilsSheet(p), drivingSheet(p), pickupsSheet(p)}
	case plan.Moved:
		return []*sheet{designSheet(p), movesSheet(p)}
	case plan.Predicted:
		for i := sensor; i < len(p.Sensors); i++ {
			s := &p.Sensors[i]
			all = append(all, accuracySheet(p, s), ratesSheet(p, s), rangeSheet(s))
		}
	case plan.Averaged:
		return []*sheet{averagingSheet(p, explain)}
	case plan.Exposed:
		return []*sheet{reachSheet(p), fieldSheet(p)}
	case plan.Driven:
		return []*sheet{drivesSheet(p), driveFileSheet(p.DriveFile)}
	case plan.Cautioned:
		return []*sheet{cautionsSheet(p.Cautions)}
	}
	return all
}

const practice = "common practice"

func tonesSheet(p *plan.Plan) *sheet {
	t := &sheet{title: "Tones", columns: []column{
		text("emitter"), number("tone", "Hz"), text(""), number("current", "A peak"), text(" "),
		number("conflicts", "", "distance to multiples of the grid, mains harmonics up to the sample rate, harmonics to the 5th, sums and differences of 2nd and 3rd order, and aliases of all of these", practice)}}
	for _, e := range p.Tones.Tones {
		how, current := "given", "given"
		if e.Chosen {
			how = "chosen"
		}
		if e.Assumed {
			current = "assumed"
		}
		t.row(e.Emitter, fmt.Sprintf("%.10g", e.Hz), how, Number(e.CurrentPeakA, 3), current, fmt.Sprint(e.Conflicts))
	}
	mains := "no mains"
	if len(p.Options.MainsHz) > 0 {
		var words []string
		for _, m := range p.Options.MainsHz {
			words = append(words, fmt.Sprintf("%g Hz", m))
		}
		mains = "mains of " + strings.Join(words, " and ")
	}
	t.note("grid of %g Hz; kept clear by %g Hz of %s, harmonics and intermodulation", p.Tones.GridHz, p.Tones.MarginHz, mains)
	const most = 12
	for _, c := range p.Tones.Conflicts[:min(most, len(p.Tones.Conflicts))] {
		t.note("conflict: %s", c)
	}
	if more := len(p.Tones.Conflicts) - most; more > 0 {
		t.note("… and %d more: --json lists them all", more)
	}
	return t
}

func drivesSheet(p *plan.Plan) *sheet {
	t := &sheet{title: "Drive channels", columns: []column{
		text("channel"), number("tones", ""),
		number("crest factor", "", "peak/rms of Σ R·I·cos(2πft + φ) with the phases below", "phases minimised by the method of Guillaume et al., IEEE Trans. Instrum. Meas. 40, 1991, not checked against the original"),
		number("peak", "V", "crest factor times rms, at the ADC"),
		number("were all to peak", "V", "Σ R·I"), number("full scale", "V")}}
	for _, d := range p.Drives {
		t.row(d.Channel, fmt.Sprint(len(d.Emitters)), scaled(d.Crest, 1), scaled(d.PeakV, 1), Number(d.InPhaseV, 3), fullScale(d.FullScaleV))
		switch {
		case len(d.Emitters) < 2:
		case d.Explanation != "":
			t.note("%s: no phases found: %s", d.Channel, d.Explanation)
		case d.PeriodS == 0:
			t.note("%s: tones without a common period: no phases keep them from peaking together some time", d.Channel)
		default:
			var phases []string
			for i, e := range d.Emitters {
				phases = append(phases, fmt.Sprintf("%s %.1f", e, d.PhasesDeg[i]))
			}
			whose := ""
			if d.Stated {
				whose = "the rig's "
			}
			t.note("%s: %sphases of the currents in degrees (cosine, at time zero): %s", d.Channel, whose, strings.Join(phases, ", "))
		}
	}
	return t
}

// fullScale of a channel [V]; 0: not stated.
func fullScale(v float64) string {
	if v == 0 {
		return "–"
	}
	return Number(v, 3)
}

func averagingSheet(p *plan.Plan, explain bool) *sheet {
	if len(p.Budget.Entries) == 0 {
		return nil
	}
	t := &sheet{title: fmt.Sprintf("Averaging: %s on %s, sensor in the middle of the working volume, any orientation (rms)", p.Budget.Emitter, p.Budget.Channel),
		columns: []column{text("quantity"), text(""), text("value")}}
	if explain {
		t.columns = append(t.columns, text("formula"), text("source"))
	}
	// What a reader plans with; --explain shows the rest of the arithmetic too.
	brief := map[string]bool{"signal": true, "analog noise density": true, "quantising noise density": true, "noise density": true, "broadband noise": true,
		"input signal-to-noise": true, "equivalent noise bandwidth": true, "averaged noise": true, "signal-to-noise": true, "equivalent filter Q": true, "bandwidth ratio": true}
	for _, q := range p.Budget.Entries {
		if !explain && !brief[q.Name] {
			continue
		}
		value := Quantity(q.Value, q.Unit)
		if q.Unit == "" || q.Unit == "dB" { // take no prefix
			value = strings.TrimRight(Number(q.Value, 3)+" "+q.Unit, " ")
		}
		row := []string{q.Name, q.Symbol, value, q.Formula, q.Source}
		if q.Given {
			row[3] = "from the rig and the flags"
		}
		t.row(row[:len(t.columns)]...)
	}
	return t
}

func coilsSheet(p *plan.Plan) *sheet {
	t := &sheet{title: fmt.Sprintf("Emitter coils at %g °C", p.Options.AmbientC), columns: []column{
		text("emitter"),
		number("wire", "mm"),
		number("fill", "%", "turns × (diameter over enamel)² over the cross-section; a thin loop counts as a square bundle", practice+"; enamel of grade 1, IEC 60317-0-1, up to 0.1 mm; of thicker wires 0.06 mm·√(d/mm), not checked against the original"),
		number("R dc", "Ω", "ρ(T)·length/area, ρ = 1/58 µΩ·m·(1 + 0.00393 (T − 20 °C))", "IEC 60028"),
		number("L", "µH", "mean mutual inductance over all pairs of circles in the cross-section", "Maxwell, Treatise, art. 701; Nagaoka 1909 for one layer; Grover 1946 for rectangles"),
		number("R at tone", "Ω", "Dowell's layers with their skin and proximity effect, an upper estimate", "Dowell, Proc. IEE 113, 1966"),
		number("skin depth", "mm", "√(2ρ/(ωμ0))", "textbook"),
		number("self-resonance", "kHz", "1/(2π√(LC)), C within a factor of two", "Medhurst, Wireless Engineer 24, 1947, for one layer; layer energy in enamel of permittivity 3.5, not checked against the original"),
		number("moment", "A·m² peak", "turns × area × current", "textbook")}}
	assumed := false
	for _, c := range p.Coils {
		wire := scaled(c.WireM, 1e-3)
		if c.WireAssumed && wire != "–" {
			wire, assumed = "~"+wire, true
		}
		t.row(c.Emitter, wire, scaled(c.Fill, 0.01), scaled(c.ResistanceOhm, 1), scaled(c.InductanceH, 1e-6), scaled(c.Load.ResistanceOhm, 1), scaled(c.SkinDepthM, 1e-3), scaled(c.ResonanceHz, 1e3), scaled(c.MomentAm2, 1))
	}
	if assumed {
		t.note("~ assumed: the rig does not state the wire; --wire does")
	}
	return t
}

func drivingSheet(p *plan.Plan) *sheet {
	t := &sheet{title: "Driving them (each coil alone, at its tone)", columns: []column{
		text("emitter"),
		number("voltage", "V peak", "|R + jωL|·I", "textbook"),
		number("series capacitor", "nF", "1/(ω²L), resonant at the tone", "textbook"),
		number("voltage with it", "V peak", "R·I", "textbook"),
		number("on the capacitor", "V peak", "ωL·I", "textbook"),
		number("heat", "W", "R·I²/2", "textbook"),
		number("temperature rise", "K", "heat/(10 W/(m²·K) × surface), resistance rising with it; free in still air", practice)}}
	for _, c := range p.Coils {
		t.row(c.Emitter, scaled(c.VoltageV, 1), scaled(c.CapacitorF, 1e-9), scaled(c.ResonantV, 1), scaled(c.CapacitorVoltV, 1), scaled(c.PowerW, 1), scaled(c.RiseK, 1))
	}
	return t
}

func pickupsSheet(p *plan.Plan) *sheet {
	t := &sheet{title: "Pickup coils", columns: []column{
		text("sensor"), text("channel"), number("turns × area", "mm²"),
		number("turns", "", "turns × area over π·radius²", "textbook"),
		number("lowest tone", "V/T", "ω × turns × area", "textbook"),
		number("highest tone", "V/T", "ω × turns × area", "textbook"),
		number("R", "Ω", "as for emitters, wound of --pickup-wire", "IEC 60028"),
		number("thermal noise", "nV/√Hz", "√(4kTR)", "Nyquist, Phys. Rev. 32, 1928")}}
	unknown := false
	for _, c := range p.Pickups {
		t.row(c.Sensor, c.Channel, Number(c.AreaTurnsM2*1e6, 3), scaled(c.Turns, 1), Number(c.LowVT, 3), Number(c.HighVT, 3), scaled(c.ResistanceOhm, 1), scaled(c.ThermalV, 1e-9))
		unknown = unknown || math.IsNaN(c.ThermalV)
	}
	if unknown {
		t.note("without --pickup-wire and a radius there is no thermal noise: --noise then has to hold it")
	}
	return t
}

const crb = "√ of the trace of the inverse of Σ jᵀj/σ², j the couplings' derivatives"

// lengthUnit is the unit that suits errors of about v [m].
func lengthUnit(v float64) (float64, string) {
	if v >= 1e-3 && !math.IsInf(float64(v), 1) {
		return 1e-3, "mm"
	}
	return 1e-6, "µm"
}

func accuracySheet(p *plan.Plan, s *plan.Sensor) *sheet {
	t := &sheet{title: fmt.Sprintf("Predicted accuracy of %s (%d degrees of freedom), %s windows", s.Sensor, s.Freedom, Quantity(p.Window.LengthS, "s")), columns: []column{
		text("rms error"),
		number("median", "", crb+"; over the working volume and orientations", "Cramér–Rao bound"),
		number("95 %", "", "that 95 % of the poses stay below"), number("worst", "", "of all poses that are not blind"), number("rms", "", "over all poses"),
		text("unit")}}
	unit, word := lengthUnit(s.Position.P95)
	t.row("position", scaled(s.Position.Median, unit), scaled(s.Position.P95, unit), scaled(s.Position.Worst, unit), scaled(s.Position.RMS, unit), word)
	t.row("orientation", scaled(s.Rotation.Median, deg), scaled(s.Rotation.P95, deg), scaled(s.Rotation.Worst, deg), scaled(s.Rotation.RMS, deg), "°")
	errors := "noise alone; calibration"
	if s.Left > 0 {
		errors = fmt.Sprintf("noise, and what the calibration leaves: %s alone for 95 %% of the poses; time since then", Quantity(s.Left, "m"))
		if s.Digitised != nil {
			errors = fmt.Sprintf("noise, and what calibration and the stated currents leave: %s alone for 95 %% of the poses; all later changes", Quantity(s.Left, "m"))
		}
	}
	places := ""
	if s.Blind < s.Poses {
		places = fmt.Sprintf("; best about (%s) mm, worst at (%s) mm", triple(s.BestAt, 1e-3, 0), triple(s.WorstAt, 1e-3, 0))
	}
	t.note("%s, metal nearby and motion add to it. %d poses%s", errors, s.Poses, places)
	switch {
	case s.Blind == s.Poses:
		t.note("blind everywhere")
	case s.Blind > 0:
		const most = 5
		var where []string
		for _, b := range s.BlindAt[:min(most, len(s.BlindAt))] {
			where = append(where, "("+triple(b, 1e-3, 0)+")")
		}
		if len(s.BlindAt) > most {
			where = append(where, "…")
		}
		t.note("blind spots: %d of %d poses, at %s mm", s.Blind, s.Poses, strings.Join(where, ", "))
	default:
		t.note("no blind spots")
	}
	if w := s.Wanted; w != nil && !math.IsInf(w.WindowS, 0) {
		verdict := "met"
		if !w.Reached {
			verdict = "not met"
		}
		t.note("wanted %s for 95 %% of the poses: %s; needs windows of %s, %s updates", Quantity(w.AccuracyM, "m"), verdict, Quantity(w.WindowS, "s"), Quantity(w.UpdateHz, "Hz"))
	}
	return t
}

func ratesSheet(p *plan.Plan, s *plan.Sensor) *sheet {
	unit, word := lengthUnit(s.Position.P95)
	t := &sheet{title: "Update rate against accuracy, " + s.Sensor, columns: []column{
		number("window", "ms"), number("updates", "Hz", "1/window, no overlap"),
		number("position median", word, "∝ 1/√window; with the covariance of a calibration predicted for each", practice), number("95 %", word, "likewise"),
		number("orientation median", "°", "likewise"), number("95 % ", "°", "likewise")}}
	for _, r := range s.Rates {
		t.row(Number(r.WindowS*1e3, 3), Number(r.UpdateHz, 3), scaled(r.PositionMedian, unit), scaled(r.PositionP95, unit), scaled(r.RotationMedian, deg), scaled(r.RotationP95, deg))
	}
	t.note("below %.3g ms the tones are not apart", p.Window.LeastS*1e3)
	return t
}

func rangeSheet(s *plan.Sensor) *sheet {
	t := &sheet{title: "Dynamic range, " + s.Sensor + " (at the ADC)", columns: []column{
		text("channel"),
		number("largest peak", "V", "Σ over tones of gain·ω·turns×area·|B|·I at the strongest position: every tone in its worst orientation, all peaking together"),
		number("full scale", "V"),
		number("weakest", "mV rms", "root of the sum of the tones' squares at the weakest position, mean over orientations"),
		number("noise", "µV rms", "noise density × √(noise bandwidth), the noisiest tone", practice),
		number("range", "dB", "20·lg(strongest rms, mean over orientations, over noise)"),
		number("gain", ""),
		number("suggested", "", "the largest peak at 70 % of full scale, rounded down", practice)}}
	for _, c := range s.Channels {
		t.row(c.Channel, scaled(c.PeakV, 1), fullScale(c.FullScaleV), scaled(c.WeakestRMSV, 1e-3), scaled(c.SigmaV/math.Sqrt2, 1e-6), scaled(c.RangeDB, 1), scaled(c.Gain, 1), scaled(c.Suggested, 1))
	}
	if len(s.Channels) > 0 {
		t.note("strongest at (%s) mm, weakest at (%s) mm", triple(s.Channels[0].PeakAt, 1e-3, 0), triple(s.Channels[0].WeakestAt, 1e-3, 0))
	}
	return t
}

func designSheet(p *plan.Plan) *sheet {
	d := p.Design
	if d == nil {
		return nil
	}
	t := &sheet{title: fmt.Sprintf("Optimised for the %s position error of %s", d.Goal, d.Sensor), columns: []column{
		text("rms error"), number("before", "", "as under predicted accuracy, before and after the moves"), number("after", "", "likewise"), text("unit"), number("gain", "", "before over after")}}
	row := func(name string, before, after float64, unit float64, word string) {
		t.row(name, scaled(before, unit), scaled(after, unit), word, scaled(before/after, 1))
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
	t := &sheet{title: "Moves", columns: []column{text("emitter"), text("shift x, y, z (mm)"), number("tilt", "°", "about the centre"),
		text("centre x, y, z (mm)"), text("axis")}}
	for _, m := range p.Design.Moves {
		t.row(m.Emitter, triple(m.ShiftM, 1e-3, 1),
			Number(floats.Norm(m.TiltRad[:], 2)/deg, 3),
			triple(m.CenterM, 1e-3, 1), triple(m.Axis, 1, 3))
	}
	return t
}

const icnirp = "ICNIRP 2010, Health Physics 99(6), tables 3 and 4"

func reachSheet(p *plan.Plan) *sheet {
	x := &p.Exposure
	t := &sheet{title: "Exposure: where the field of all tones exceeds the reference levels", columns: []column{
		text("emitter"), number("tone", "Hz"),
		number("general public", "µT rms", "reference level at the tone", icnirp), number("exceeded within", "mm", "farthest position from the coil's centre, no other centre being nearer, where Σ B/B_ref > 1", "ICNIRP 2010, equation (5)"),
		number("occupational", "µT rms", "reference level at the tone", icnirp), number("exceeded within ", "mm", "likewise", "ICNIRP 2010, equation (5)")}}
	if x.Unavailable != "" {
		t.note("no comparison: %s", x.Unavailable)
		return t
	}
	for i, r := range x.Reaches {
		t.row(r.Emitter, fmt.Sprintf("%.10g", x.Levels[i].Hz), Number(x.Levels[i].PublicT*1e6, 3), scaled(r.PublicM, 1e-3), Number(x.Levels[i].OccupationalT*1e6, 3), scaled(r.OccupationalM, 1e-3))
	}
	return t
}

func fieldSheet(p *plan.Plan) *sheet {
	x := &p.Exposure
	if x.Unavailable != "" {
		return nil
	}
	t := &sheet{title: "Exposure: field of all tones", columns: []column{
		text("where"), number("peak", "µT", "Σ of the tones' peaks: all aligned"), number("rms", "µT", "root of the sum of the tones' squares"),
		number("general public", "ratio", "Σ B_rms/B_ref, to be at most 1", "ICNIRP 2010, equation (5)"), number("occupational", "ratio", "likewise", "ICNIRP 2010, equation (5)")}}
	add := func(where string, f plan.Field) {
		t.row(where, scaled(f.PeakT, 1e-6), scaled(f.RMST, 1e-6), scaled(f.Public, 1), scaled(f.Occupational, 1))
	}
	for _, f := range x.Distances {
		add(fmt.Sprintf("%s from the nearest coil's centre, at most", Quantity(f.DistanceM, "m")), f)
	}
	add("in the working volume, at most", x.Volume)
	for _, f := range x.Points {
		add(fmt.Sprintf("at (%.4g, %.4g, %.4g) m", f.At[0], f.At[1], f.At[2]), f)
	}
	t.note("Reference levels are rms values of the field with nobody in it. This is arithmetic, not a")
	t.note("safety assessment: local codes decide, as applied by those licensed to; clinical use is out of scope.")
	t.note("The levels do not assure implants. For people with implants or pacemakers the static guideline")
	t.note("warns from 0.5 mT on (ICNIRP 2009); it does not cover tones of kilohertz: keep them away.")
	if x.HeatingToo {
		t.note("A tone lies above 100 kHz: limits on heating apply there too and are not looked at here.")
	}
	return t
}

func cautionsSheet(cautions []string) *sheet {
	t := &sheet{title: "Cautions"}
	for _, c := range cautions {
		t.note("! %s", c)
	}
	if len(cautions) == 0 {
		t.note("none")
	}
	return t
}
