package plan

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/floats"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone/frequencyplan"
)

// Tones are the tones of a bench, given or chosen.
type Tones struct {
	GridHz    float64  `json:"grid_hz"` // tones on it are orthogonal over its inverse
	MarginHz  float64  `json:"margin_hz"`
	Tones     []Tone   `json:"tones"`
	Conflicts []string `json:"conflicts"`
}

// Tone is one emitter's tone.
type Tone struct {
	Emitter      string  `json:"emitter"`
	Hz           float64 `json:"tone_hz"`
	Chosen       bool    `json:"chosen"` // the rig left it open
	CurrentPeakA float64 `json:"current_a_peak"`
	Assumed      bool    `json:"current_assumed"` // likewise
	Conflicts    int     `json:"conflicts"`
}

// usualLowHz is the low end of tones where nobody states one: a coil's voltage grows with
// frequency.
const usualLowHz = 2000

// lobe is the least distance of tones in steps of 1/window: the main lobes of a
// Hann window are then apart.
const lobe = 4

// tones checks the given tones and chooses the missing ones.
func (p *Plan) tones(ctx context.Context) error {
	r, o, edit := p.Bench, &p.Options, p.Edit
	margin := cmp.Or(o.MarginHz, 0.5/o.OrthogonalS)
	spec := frequencyplan.Spec{Tones: len(r.Emitters), RateHz: r.SampleRateHz, WindowS: o.OrthogonalS, SpacingHz: math.Max(margin, lobe/o.WindowS),
		MainsHz: o.MainsHz, MarginHz: margin, LowHz: o.LowHz, HighHz: o.HighHz}
	p.Tones = Tones{GridHz: 1 / o.OrthogonalS, MarginHz: spec.MarginHz}
	var open []int
	var given []float64
	for i, e := range r.Emitters {
		if e.ToneHz == 0 {
			open = append(open, i)
		} else {
			given = append(given, e.ToneHz)
		}
	}
	chosen, err := chooseTones(ctx, spec, given, len(open))
	if err != nil {
		return specError(err)
	}
	for k, i := range open {
		r.Emitters[i].ToneHz = chosen[k]
		edit.SetNumber(fmt.Sprintf("emitters[%d].tone_hz", i), chosen[k])
	}
	var all []float64
	for i := range r.Emitters {
		e := &r.Emitters[i]
		t := Tone{Emitter: e.Name, Hz: e.ToneHz, Chosen: slices.Contains(open, i), CurrentPeakA: e.CurrentPeakA}
		if t.Assumed = e.CurrentPeakA == 0; t.Assumed {
			e.CurrentPeakA, t.CurrentPeakA = o.CurrentA, o.CurrentA
			edit.SetNumber(fmt.Sprintf("emitters[%d].current_a_peak", i), o.CurrentA)
		}
		p.Tones.Tones = append(p.Tones.Tones, t)
		all = append(all, e.ToneHz)
	}
	nearest := math.Inf(1)
	for i, f := range all {
		nearest = min(nearest, f, distance(f, all[:i]))
	}
	if p.Window.LeastS = lobe / 2 / nearest; o.WindowS < p.Window.LeastS*(1-1e-9) {
		p.caution("windows of %.3g ms do not keep tones %.4g Hz apart from each other, or from zero: noise grows beyond what is predicted below %.3g ms", o.WindowS*1e3, nearest, p.Window.LeastS*1e3)
	}
	for _, e := range r.Emitters {
		if low := cmp.Or(o.LowHz, usualLowHz); e.ToneHz < low && e.ToneHz < usualLowHz/10 && e.ToneHz*1e3 < r.SampleRateHz/2 {
			p.caution("%s: tone_hz = %g lies far under the band from %g Hz on: is this kHz? Then write tone_hz: %g", e.Name, e.ToneHz, low, math.Round(e.ToneHz*1e6)/1e3)
		}
	}
	// The band is for tones to be chosen; given ones may lie where they will.
	spec.LowHz, spec.HighHz = 0, 0
	conflicts, err := frequencyplan.Check(spec, all)
	if err != nil {
		return specError(err)
	}
	for _, c := range conflicts {
		p.Tones.Tones[c.Tone].Conflicts++
		p.Tones.Conflicts = append(p.Tones.Conflicts, fmt.Sprintf("%s: %v", r.Emitters[c.Tone].Name, c))
	}
	if n := len(conflicts); n > 0 {
		p.caution("%d conflicts of tones with the grid, mains or products of distortion: listed under tones", n)
	}
	return nil
}

// chooseTones finds count tones that go with the given ones.
func chooseTones(ctx context.Context, spec frequencyplan.Spec, given []float64, count int) ([]float64, error) {
	if count == 0 {
		return nil, nil
	}
	if len(given) == 0 {
		spec.Tones = count
		return frequencyplan.Choose(ctx, spec)
	}
	chosen, err := frequencyplan.Beside(ctx, spec, given, count)
	if e := (*frequencyplan.SpecError)(nil); err != nil && ctx.Err() == nil && !errors.As(err, &e) {
		err = fmt.Errorf("%w: leave all tones out of the rig to choose them together, or lengthen --orthogonal", err)
	}
	return chosen, err
}

// distance is that of a frequency to the nearest tone [Hz]; +Inf without tones.
func distance(hz float64, tones []float64) float64 {
	near := math.Inf(1)
	for _, t := range tones {
		near = math.Min(near, math.Abs(t-hz))
	}
	return near
}

// specError names the flag of plan that a field of a frequencyplan.Spec comes
// from.
func specError(err error) error {
	var e *frequencyplan.SpecError
	if errors.As(err, &e) {
		flags := map[string]string{"WindowS": "--orthogonal", "MarginHz": "--margin", "LowHz": "--low", "HighHz": "--high", "MainsHz": "--mains"}
		if flag, ok := flags[e.Field]; ok {
			return fmt.Errorf("%s %v: %s", flag, e.Value, e.Must)
		}
	}
	return err
}

// Drive is an ADC channel, and as a rule an amplifier, that several tones
// share.
type Drive struct {
	Channel     string    `json:"channel"`
	Emitters    []string  `json:"emitters"`
	PhasesDeg   []float64 `json:"phases_deg"` // of the currents at time zero, cosine
	Crest       float64   `json:"crest"`
	InPhase     float64   `json:"crest_in_phase"` // were all to peak together
	PeakV       float64   `json:"peak_v"`         // at the ADC
	InPhaseV    float64   `json:"peak_in_phase_v"`
	FullScaleV  float64   `json:"full_scale_v"`  // 0: not stated
	PeriodS     float64   `json:"period_s"`      // after which the waveform repeats
	Stated      bool      `json:"phases_stated"` // by the rig
	Explanation string    `json:"note,omitempty"`

	hz, volts []float64 // of the tones, at the ADC
}

// drives finds phases of low crest for the tones on each reference channel.
func (p *Plan) drives(ctx context.Context) error {
	r := p.Bench
	for c := range r.Channels {
		ch := &r.Channels[c]
		d := Drive{Channel: ch.Name, FullScaleV: ch.FullScaleV}
		var hz, volts []float64
		for _, e := range r.Emitters {
			if e.Reference == nil || e.Reference.Channel != c {
				continue
			}
			g, err := ch.Response(e.ToneHz)
			if err != nil {
				return err
			}
			d.Emitters = append(d.Emitters, e.Name)
			hz = append(hz, e.ToneHz)
			volts = append(volts, cmplx.Abs(g)*e.Reference.TransimpedanceOhm*e.CurrentPeakA)
		}
		if len(hz) == 0 {
			continue
		}
		d.hz, d.volts = hz, volts
		rms := floats.Norm(volts, 2) / math.Sqrt2
		d.InPhaseV = floats.Sum(volts)
		d.InPhase = d.InPhaseV / rms
		d.Crest, d.PeakV = d.InPhase, d.InPhaseV
		d.PhasesDeg = make([]float64, len(hz))
		if d.PeriodS = commonPeriod(hz); d.PeriodS > 0 && len(hz) > 1 {
			phases, crest, err := d.phases(ctx, r, hz, volts)
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err != nil {
				d.Explanation = fmt.Sprintf("the tones repeat after %.4g s only, too long to seek phases; in that time they come near to peaking together whatever their phases: put all on one grid", d.PeriodS)
			} else {
				d.Crest, d.PeakV = crest, crest*rms
				floats.ScaleTo(d.PhasesDeg, 180/math.Pi, phases)
			}
		}
		switch {
		case d.FullScaleV == 0:
		case d.PeakV > d.FullScaleV:
			p.caution("channel %s clips: its tones reach %.3g V with the best phases, full scale is %.3g V: lower the currents or the transimpedance", ch.Name, d.PeakV, d.FullScaleV)
		case d.InPhaseV > d.FullScaleV:
			p.caution("channel %s clips if its tones peak together, %.3g V of %.3g V: set the phases listed", ch.Name, d.InPhaseV, d.FullScaleV)
		}
		p.Drives = append(p.Drives, d)
	}
	return nil
}

// phases are those that the rig states for all tones of the channel, else of low
// crest [rad].
func (d *Drive) phases(ctx context.Context, r *rig.Rig, hz, volts []float64) (phases []float64, crest float64, err error) {
	d.Stated = true
	for _, e := range r.Emitters {
		if slices.Contains(d.Emitters, e.Name) {
			phases = append(phases, e.PhaseDeg*math.Pi/180)
			d.Stated = d.Stated && e.PhaseStated
		}
	}
	if !d.Stated {
		return lowCrest(ctx, hz, volts, d.PeriodS)
	}
	crest, err = frequencyplan.CrestFactor(hz, volts, phases, d.PeriodS)
	return phases, crest, err
}

// risingSchroeder are Schroeder's phases for tones in any order [rad].
func risingSchroeder(hz, amplitudes []float64) []float64 {
	rising, order := slices.Clone(hz), make([]int, len(hz))
	floats.ArgsortStable(rising, order)
	sorted, phases := make([]float64, len(hz)), make([]float64, len(hz))
	for k, i := range order {
		sorted[k] = amplitudes[i]
	}
	for k, phase := range frequencyplan.SchroederPhases(sorted) {
		phases[order[k]] = phase
	}
	return phases
}

// lowCrest is frequencyplan.LowCrest for tones in any order.
func lowCrest(ctx context.Context, hz, volts []float64, period float64) ([]float64, float64, error) {
	rising, order := slices.Clone(hz), make([]int, len(hz))
	floats.ArgsortStable(rising, order)
	amplitudes, phases := make([]float64, len(hz)), make([]float64, len(hz))
	for k, i := range order {
		amplitudes[k] = volts[i]
	}
	found, crest, err := frequencyplan.LowCrest(ctx, rising, amplitudes, period)
	for k, phase := range found {
		phases[order[k]] = phase
	}
	return phases, crest, err
}

// commonPeriod is the shortest time that holds whole periods of all tones, which
// must be multiples of a millihertz; 0 if there is none.
func commonPeriod(hz []float64) float64 {
	common := 0
	for _, f := range hz {
		n, whole := millihertz(f)
		if !whole {
			return 0
		}
		common = greatestDivisor(common, n)
	}
	return 1e3 / float64(common)
}
