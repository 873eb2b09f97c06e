package pipeline

import (
	"context"
	"encoding/json"
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/coil"
	"tonepose/solver/prediction"
)

// PlanOptions says what is wanted of a bench and what it suffers.
type PlanOptions struct {
	WindowS float64 // of one measurement [s]
	Taper   string  // its name, for the reader
	NENBW   float64 // of the taper: 1 rectangular, 1.5 Hann
	// OrthogonalS is the time over which tones are orthogonal: multiples of its
	// inverse [s]; 0: the shortest multiple of WindowS from 40 ms on, as shorter
	// ones leave no place between the harmonics of mains. Tones nearer than 4
	// lobes of the window are not chosen.
	OrthogonalS float64
	AccuracyM   float64 // wanted: rms position error of 95 % of the poses [m]; 0: not asked

	NoiseV    float64 // white, one-sided, at the amplifiers' inputs [V/√Hz]
	FlickerHz float64 // corner: the density² is NoiseV²·(1 + FlickerHz/f)
	Bits      int     // of the ADC; 0: no quantising

	MainsHz           []float64
	LowHz, HighHz     float64 // band for tones to be chosen; 0: the defaults of frequencyplan
	MarginHz          float64 // 0: half of 1/OrthogonalS
	CurrentA          float64 // peak, of emitters that state none
	Wire              *coil.Wire
	PickupWire        *coil.Wire
	AmbientC          float64
	DistancesM        []float64 // from the nearest coil, for exposure
	Points            []r3.Vec  // of interest for exposure [m, rig frame]
	Slices            bool      // compute the maps for figures
	Layout            *prediction.Layout
	OptimiseForSensor string // name; empty: the first
}

// Real is a number that JSON shows as null where it is not finite.
type Real float64

// MarshalJSON implements json.Marshaler.
func (r Real) MarshalJSON() ([]byte, error) {
	if v := float64(r); math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(r))
}

// Plan is what to do with a bench and what to expect of it.
type Plan struct {
	Rig          string       `json:"rig"`
	SampleRateHz float64      `json:"sample_rate_hz"`
	Window       PlanWindow   `json:"window"`
	Tones        PlanTones    `json:"tones"`
	Drives       []PlanDrive  `json:"shared_drives"`
	Budget       PlanBudget   `json:"averaging"`
	Coils        []PlanCoil   `json:"emitter_coils"`
	Pickups      []PlanPickup `json:"pickup_coils"`
	Sensors      []PlanSensor `json:"sensors"`
	Exposure     PlanExposure `json:"exposure"`
	Design       *PlanDesign  `json:"design,omitempty"`
	Cautions     []string     `json:"cautions"`
}

// PlanWindow is the averaging of one measurement.
type PlanWindow struct {
	LengthS  float64 `json:"length_s"`
	LeastS   float64 `json:"shortest_s"` // that keeps tones apart: two lobes between neighbours, two periods of the lowest
	Taper    string  `json:"taper"`
	NENBW    float64 `json:"nenbw"`
	ENBWHz   float64 `json:"enbw_hz"`
	UpdateHz float64 `json:"update_hz"` // windows that do not overlap
}

// MakePlan plans a bench. Tones and currents that r leaves open are chosen and
// filled into it; with a Layout its emitters are moved, in the returned edit. The
// rest of r stays.
func MakePlan(ctx context.Context, r *rig.Rig, o PlanOptions) (*Plan, *rig.Edit, error) {
	if o.OrthogonalS == 0 {
		const least = 40e-3
		o.OrthogonalS = o.WindowS * math.Max(1, math.Ceil(least/o.WindowS-1e-9))
	}
	p := &Plan{Rig: r.Name, SampleRateHz: r.SampleRateHz, Cautions: []string{}}
	p.Window = PlanWindow{LengthS: o.WindowS, Taper: o.Taper, NENBW: o.NENBW, ENBWHz: o.NENBW / (2 * o.WindowS), UpdateHz: 1 / o.WindowS}
	edit := r.Edit()
	if err := p.planTones(ctx, r, o, edit); err != nil {
		return nil, nil, err
	}
	p.planCoils(r, o)
	if o.Layout != nil {
		if err := p.design(ctx, r, o, edit); err != nil {
			return nil, nil, err
		}
	}
	if err := p.planSensors(ctx, r, o); err != nil {
		return nil, nil, err
	}
	if err := p.planBudget(r, o); err != nil {
		return nil, nil, err
	}
	if err := p.planExposure(r, o); err != nil {
		return nil, nil, err
	}
	return p, edit, p.planDrives(ctx, r) // last: it takes longest, and refuses least
}

func (p *Plan) caution(format string, values ...any) {
	p.Cautions = append(p.Cautions, fmt.Sprintf(format, values...))
}
