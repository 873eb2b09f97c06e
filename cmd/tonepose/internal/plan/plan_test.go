package plan

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/coil"
	"tonepose/multitone/frequencyplan"
	"tonepose/solver/prediction"
)

const planRig = `name: invented
sample_rate_hz: 50000
working_volume: {min_m: [-0.1, -0.1, 0.05], max_m: [0.1, 0.1, 0.2]}
channels:
- {name: rx1, full_scale_v: 2, gain: 100}
- {name: drive, full_scale_v: 2, gain: 0.5}
emitters:
%s
sensors:
- {name: probe, coils: [{channel: rx1, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 0.002, radius_m: 0.005}]}
`

// planRigOf makes a rig of small loops with the given tones (0: left open), half
// an ampere each.
func planRigOf(t *testing.T, tones ...float64) *rig.Rig {
	t.Helper()
	var emitters strings.Builder
	for i, hz := range tones {
		tone := ""
		if hz > 0 {
			tone = fmt.Sprintf("tone_hz: %g, ", hz)
		}
		fmt.Fprintf(&emitters, "- {name: e%d, %scurrent_a_peak: 0.5, reference: {channel: drive, transimpedance_ohm: 2}, model: {type: loop, center_m: [%g, 0, 0], axis: [0, %g, 1], radius_m: 0.02, turns: 30}}\n",
			i+1, tone, 0.05*float64(i), 0.1*float64(i))
	}
	r, err := rig.Parse("invented.rig.yaml", []byte(fmt.Sprintf(planRig, emitters.String())), rig.Options{AllowMissingTones: true})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

var planDefaults = Options{WindowS: 40e-3, Taper: "hann", NoiseV: 5e-9, Bits: 16, MainsHz: []float64{50, 60}, LowHz: 2000, CurrentA: 0.5, AmbientC: 25}

func closeTo(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s = %.8g, want %.8g", what, got, want)
	}
}

// The noise of couplings by hand: amplifier, thermal and quantising noise in
// quadrature, √2·n·√ENBW on a peak phasor, over gain·ω·I.
func TestPlanNoise(t *testing.T) {
	r := planRigOf(t, 5000, 6000)
	o := planDefaults
	wire := coil.Enamelled(0.05e-3)
	o.FlickerHz, o.PickupWire = 2500, wire
	p := &Plan{Bench: r, Options: o, Window: Window{ENBWHz: 1.5 / (2 * 40e-3)}}
	n, err := p.noise(0)
	if err != nil {
		t.Fatal(err)
	}
	turns := 0.002 / (math.Pi * 25e-6)
	ohm := turns * 2 * math.Pi * 0.005 / 58e6 * (1 + 0.00393*5) / (math.Pi / 4 * 0.05e-3 * 0.05e-3)
	quantising := 4.0 / 65536 / math.Sqrt(12) / math.Sqrt(25000)
	for e, hz := range []float64{5000, 6000} {
		square := 1e4*(25e-18*(1+2500/hz)+4*1.380649e-23*298.15*ohm) + quantising*quantising
		want := math.Sqrt(2*square*18.75) / (100 * 2 * math.Pi * hz * 0.5)
		closeTo(t, "sigma of M", n.SigmaH[e], want, 1e-9)
		reference := math.Sqrt(2*18.75*(0.25*25e-18*(1+2500/hz)+quantising*quantising)) / (0.5 * 2 * 0.5)
		closeTo(t, "relative sigma of the current", n.Relative[e], reference, 1e-9)
	}
}

func TestPlanChoosesTonesBesideGivenOnes(t *testing.T) {
	r := planRigOf(t, 5125, 0, 7375, 0, 0)
	o := planDefaults
	o.MainsHz = []float64{50} // 5125 Hz is 5 Hz from the alias of 748 × 60 Hz
	p, err := Make(t.Context(), r, o)
	if err != nil {
		t.Fatal(err)
	}
	if p.Tones.Tones[0].Hz != 5125 || p.Tones.Tones[2].Hz != 7375 || p.Tones.Tones[0].Chosen || !p.Tones.Tones[1].Chosen || len(p.Tones.Conflicts) > 0 {
		t.Errorf("%+v", p.Tones)
	}
	text, err := p.Edit.Text()
	if err != nil {
		t.Fatal(err)
	}
	again, err := rig.Parse("again", text, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i, e := range again.Emitters {
		if e.ToneHz != p.Tones.Tones[i].Hz || e.ToneHz < 2000 || e.ToneHz > 12500 {
			t.Errorf("%s: %g Hz", e.Name, e.ToneHz)
		}
	}
	// A band full of given tones is said to be so.
	o.LowHz, o.HighHz = 5100, 5150
	if _, err := Make(t.Context(), planRigOf(t, 5125, 0), o); err == nil || !strings.Contains(err.Error(), "--orthogonal") {
		t.Errorf("error %v", err)
	}
	// And without any given, the search itself says what binds.
	var infeasible *frequencyplan.Infeasible
	if _, err := Make(t.Context(), planRigOf(t, 0, 0, 0), o); !errors.As(err, &infeasible) {
		t.Errorf("error %v", err)
	}
}

func TestCommonPeriod(t *testing.T) {
	for _, c := range []struct {
		want float64
		hz   []float64
	}{{0.04, []float64{5125, 6325, 7575}}, {1, []float64{1000, 1001}}, {0.001, []float64{3000, 5000}}, {0.08, []float64{12.5, 25, 37.5}}, {0, []float64{1000.0001}}} {
		if got := commonPeriod(c.hz); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v: %g s, want %g s", c.hz, got, c.want)
		}
	}
}

// Phases come back in the order of the rig, whatever the order of the tones: the
// waveform they make has the crest factor that the plan states.
func TestPlanDrives(t *testing.T) {
	r := planRigOf(t, 7575, 5125, 8925, 6325)
	p, err := Make(t.Context(), r, planDefaults)
	if err != nil {
		t.Fatal(err)
	}
	d := p.Drives[0]
	if len(p.Drives) != 1 || d.Channel != "drive" || !slices.Equal(d.Emitters, []string{"e1", "e2", "e3", "e4"}) {
		t.Fatalf("%+v", p.Drives)
	}
	closeTo(t, "peak of all", d.InPhaseV, 4*0.5*2*0.5, 1e-12)
	closeTo(t, "their crest factor", d.InPhase, math.Sqrt(8), 1e-12) // N/√(N/2)
	peak := 0.0
	const steps = 40000 // 112 to the shortest cycle: the peak is missed by ½(π/112)² = 4e-4 at most
	for i := range steps {
		v := 0.0
		for k, e := range r.Emitters {
			v += 0.5 * math.Cos(2*math.Pi*e.ToneHz*d.PeriodS*float64(i)/steps+d.PhasesDeg[k]*math.Pi/180)
		}
		peak = math.Max(peak, math.Abs(v))
	}
	closeTo(t, "peak", d.PeakV, peak, 4e-4)
	closeTo(t, "crest factor", d.Crest, peak/(0.5*math.Sqrt(2)), 4e-4)
	if d.Crest > 0.97*d.InPhase {
		t.Errorf("crest factor %g of %g", d.Crest, d.InPhase)
	}
}

// A coil that must get warm, one that resonates within ten times its tone, and a
// winding that can not hold its wire are cautioned.
func TestPlanCautions(t *testing.T) {
	o := planDefaults
	wire := coil.Enamelled(0.1e-3)
	o.Wire = wire
	r := planRigOf(t, 5125, 7375)
	r.Emitters[0].CurrentPeakA = 3
	r.Emitters[1].Model.Turns = 3000
	p, err := Make(t.Context(), r, o)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"too hot to touch", "self-resonance", "V peak on a series capacitor", "can not be located", "general-public"} {
		if !slices.ContainsFunc(p.Cautions, func(c string) bool { return strings.Contains(c, want) }) {
			t.Errorf("no caution of %q in %q", want, p.Cautions)
		}
	}
	r = planRigOf(t, 5125)
	r.Emitters[0].Model = rig.Model{Type: "winding", InnerRadiusM: 0.02, OuterRadiusM: 0.021, LengthM: 0.001, Turns: 200, Axis: r.Emitters[0].Model.Axis}
	p = &Plan{Bench: r, Options: o}
	p.coils()
	if !strings.Contains(strings.Join(p.Cautions, "\n"), "can not be wound") {
		t.Errorf("cautions %q", p.Cautions)
	}
	// Left to itself, plan takes wire that fits.
	p = &Plan{Bench: r, Options: planDefaults}
	p.coils()
	if c := p.Coils[0]; !c.WireAssumed || math.Abs(c.Fill-1) > 1e-6 {
		t.Errorf("%+v", c)
	}
}

func TestPlanRefusesToMoveACalibratedRig(t *testing.T) {
	r := planRigOf(t, 5125)
	r.Calibration = &rig.Calibration{}
	p := &Plan{Bench: r, Options: planDefaults}
	p.Options.Layout = &prediction.Layout{}
	if err := p.design(t.Context()); err == nil || !strings.Contains(err.Error(), "calibrated") {
		t.Errorf("error %v", err)
	}
}

// Every stage that takes long ends with its context: it is asked at the latest
// after the first step, so a context that has ended lets none through.
func TestEveryStageEndsWithItsContext(t *testing.T) {
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	r := planRigOf(t, 5125, 6325, 7575)
	o := planDefaults
	o.DistancesM = []float64{0.1}
	o.Layout = &prediction.Layout{TiltRad: 0.5}
	p := &Plan{Bench: r, Options: o, Edit: r.Edit(), Window: Window{LengthS: o.WindowS, ENBWHz: 18.75}}
	array, err := r.Array()
	if err != nil {
		t.Fatal(err)
	}
	for name, stage := range map[string]func() error{
		"tones":        func() error { _, err := Make(ended, planRigOf(t, 0, 0), planDefaults); return err },
		"further tone": func() error { _, err := Make(ended, planRigOf(t, 5125, 0), planDefaults); return err },
		"optimisation": func() error { return p.design(ended) },
		"map":          func() error { return p.sensors(ended) },
		"range":        func() error { _, err := p.ranges(ended, array, 0); return err },
		"exposure":     func() error { return p.exposure(ended) },
		"phases":       func() error { return p.drives(ended) },
	} {
		if err := stage(); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}
