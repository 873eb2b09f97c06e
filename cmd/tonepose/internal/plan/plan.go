// Package plan designs a bench before it is built: Make chooses and checks tones,
// works out averaging, coils and dynamic range, predicts accuracy, and compares the
// field with reference levels. Stations is a test plan for it.
package plan

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/caution"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/coil"
	"tonepose/multitone/window"
	"tonepose/solver/prediction"
)

// Options are what is wanted of a bench, and the conditions it works in.
type Options struct {
	WindowS float64 // of one measurement [s]
	Taper   string  // its name, a sum of cosines (window.ForFit); empty: rectangular
	// OrthogonalS is the time over which tones are orthogonal: multiples of its
	// inverse [s]; 0: the shortest multiple of WindowS from 40 ms on, as shorter
	// ones leave no room between the harmonics of mains. Tones nearer than 4
	// lobes of the window are not chosen.
	OrthogonalS float64
	AccuracyM   float64 // wanted: rms position error of 95 % of the poses [m]; 0: not asked

	NoiseV    float64 // white, one-sided, at the amplifiers' inputs [V/√Hz]
	FlickerHz float64 // corner: the density² is NoiseV²·(1 + FlickerHz/f)
	Bits      int     // of the ADC; 0: no quantising

	MainsHz           []float64
	LowHz, HighHz     float64   // band for tones to be chosen; 0: the defaults of frequencyplan
	MarginHz          float64   // 0: half of 1/OrthogonalS
	CurrentA          float64   // peak, of emitters that state none
	Wire              coil.Wire // of the emitters; zero: one that suits each
	PickupWire        coil.Wire // zero: not known
	AmbientC          float64
	DistancesM        []float64 // from the nearest coil, for exposure
	Points            []r3.Vec  // of interest for exposure [m, rig frame]
	Slices            bool      // compute the maps for figures
	Layout            *prediction.Layout
	OptimiseForSensor string // name; empty: the first

	Ready func(p *Plan, part Part) // called as soon as a part of the plan is ready; nil: not
	// Progress is told which stage of how many begins; nil: nobody.
	Progress func(stage string, done, total int64)
	Drive    *Waveform // the file of drive signals that is wanted; nil: none
}

// Part is a part of a plan.
type Part int

// The parts of a plan, in the order in which they are ready.
const (
	Electrics Part = iota // Tones, Coils, Pickups
	Moved                 // Design, where one was wished for
	Predicted             // the last of Sensors yet: ready once a sensor
	Averaged              // Budget
	Exposed               // Exposure
	Driven                // Drives, DriveFile
	Cautioned             // Cautions: the plan is whole
)

// Plan is what to do with a bench and what to expect of it.
type Plan struct {
	Rig          string     `json:"rig"`
	SampleRateHz float64    `json:"sample_rate_hz"`
	Window       Window     `json:"window"`
	Tones        Tones      `json:"tones"`
	Drives       []Drive    `json:"shared_drives"`
	Budget       Averaging  `json:"averaging"`
	Coils        []Coil     `json:"emitter_coils"`
	Pickups      []Pickup   `json:"pickup_coils"`
	Sensors      []Sensor   `json:"sensors"`
	Exposure     Exposure   `json:"exposure"`
	DriveFile    *DriveFile `json:"drive_file,omitempty"`
	Design       *Design    `json:"design,omitempty"`
	Cautions     []string   `json:"cautions"`

	Options Options   `json:"-"`
	Bench   *rig.Rig  `json:"-"` // with the chosen tones and currents, where the emitters stood
	Edit    *rig.Edit `json:"-"` // of the rig file, to what is planned
}

// Window is the averaging of one measurement.
type Window struct {
	LengthS  float64 `json:"length_s"`
	LeastS   float64 `json:"shortest_s"` // that keeps tones apart: two lobes between neighbours, two periods of the lowest
	Taper    string  `json:"taper"`
	NENBW    float64 `json:"nenbw"`
	ENBWHz   float64 `json:"enbw_hz"`
	UpdateHz float64 `json:"update_hz"` // windows that do not overlap
}

// Run plans the bench of a rig file, which may leave out tones and currents. An
// *frequencyplan.Infeasible reports that no tones meet the options.
func Run(ctx context.Context, file string, o Options) (*Plan, error) {
	r, err := rig.Load(file, rig.Options{AllowMissingTones: true})
	if err != nil {
		return nil, err
	}
	return Make(ctx, r, o)
}

// Make plans a bench. Tones and currents that r leaves open are chosen and filled
// into it; with a Layout its emitters are moved, in the Edit. The rest of r stays.
func Make(ctx context.Context, r *rig.Rig, o Options) (*Plan, error) {
	if o.OrthogonalS == 0 {
		const least = 40e-3
		o.OrthogonalS = o.WindowS * math.Max(1, math.Ceil(least/o.WindowS-1e-9))
	}
	p, err := begin(r, o)
	if err != nil {
		return nil, err
	}
	// The drives come last: their phases take long, and refuse least.
	stages := []struct {
		name string
		do   func(context.Context) error
		part Part
	}{{"tones", p.electrics, Electrics}, {"loop of drive signals", p.driveLoop, noPart}, {"layout", p.design, Moved}, {"accuracy", p.sensors, noPart}, {"starts", p.starts, noPart},
		{"averaging", p.averaging, Averaged}, {"exposure", p.exposure, Exposed}, {"phases of low crest", p.drives, noPart}, {"drive file", p.driveFile, Driven}}
	for i, stage := range stages {
		if o.Progress != nil {
			o.Progress("plan: "+stage.name, int64(i), int64(len(stages)))
		}
		if err := stage.do(ctx); err != nil {
			return nil, err
		}
		p.ready(stage.part)
	}
	p.caution("people with implants or pacemakers: keep them away from driven coils; touch a winding only when it is off and cold, as it can burn; clinical use is out of scope and needs regulatory clearance; local codes and licensed practice decide")
	p.ready(Cautioned)
	return p, nil
}

func (p *Plan) electrics(ctx context.Context) error {
	if err := p.tones(ctx); err != nil {
		return err
	}
	p.coils()
	return nil
}

// noPart is of a stage that tells its parts itself, or has none.
const noPart Part = -1

func (p *Plan) ready(part Part) {
	if p.Options.Ready != nil && part != noPart {
		p.Options.Ready(p, part)
	}
}

// begin makes a plan that has its window.
func begin(r *rig.Rig, o Options) (*Plan, error) {
	taper, err := window.ForFit(cmp.Or(o.Taper, "rectangular"))
	if err != nil {
		return nil, fmt.Errorf("--taper %s: %w", o.Taper, err)
	}
	a := taper.Coefficients()
	if o.Drive != nil {
		if err := o.Drive.check(r); err != nil {
			return nil, err
		}
	}
	w := Window{LengthS: o.WindowS, Taper: o.Taper, NENBW: 1, UpdateHz: 1 / o.WindowS}
	for _, c := range a[1:] {
		w.NENBW += c * c / (2 * a[0] * a[0])
	}
	w.ENBWHz = w.NENBW / (2 * o.WindowS)
	edit := r.Edit()
	edit.SetComment(caution.Standing)
	return &Plan{Rig: r.Name, SampleRateHz: r.SampleRateHz, Window: w, Options: o, Bench: r, Edit: edit}, nil
}

// Changed reports whether a plan differs from its rig file: tones, currents or phases
// were chosen, or emitters moved.
func (p *Plan) Changed() bool {
	return p.Design != nil || p.DriveFile != nil || slices.ContainsFunc(p.Tones.Tones, func(t Tone) bool { return t.Chosen || t.Assumed })
}

// Blind reports that no sensor has a pose in the working volume that can be solved.
func (p *Plan) Blind() bool {
	return len(p.Sensors) > 0 && !slices.ContainsFunc(p.Sensors, func(s Sensor) bool { return s.Blind < s.Poses })
}

// Planned is the bench as planned: that of the edited rig file.
func (p *Plan) Planned() (*rig.Rig, error) {
	text, err := p.Edit.Text()
	if err != nil {
		return nil, err
	}
	return rig.Parse(p.Bench.File, text, rig.Options{})
}

func (p *Plan) caution(format string, values ...any) {
	p.Cautions = append(p.Cautions, fmt.Sprintf(format, values...))
}
