package plan

import (
	"context"
	"math"

	"tonepose/fieldmodels/exposure"
	"tonepose/solver/prediction"
)

// Exposure compares the field of all tones together with ICNIRP 2010.
type Exposure struct {
	Unavailable string   `json:"unavailable,omitempty"` // why there is no comparison
	Reaches     []Reach  `json:"reaches"`
	Distances   []Field  `json:"distances"`
	Volume      Field    `json:"working_volume"` // its largest values, each at its own position
	Points      []Field  `json:"points"`
	Levels      []Levels `json:"reference_levels"`
	HeatingToo  bool     `json:"heating_limits_apply_too"` // a tone above 100 kHz
}

// Reach is how far from a coil's centre the sum exceeds a reference level.
type Reach struct {
	Emitter       string  `json:"emitter"`
	PublicM       float64 `json:"general_public_within_m"` // 0: nowhere
	OccupationalM float64 `json:"occupational_within_m"`
}

// Field is a field with its ratios.
type Field struct {
	DistanceM    float64    `json:"distance_m"` // of a distance: from the nearest coil's centre
	At           [3]float64 `json:"at_m"`       // of a point
	PeakT        float64    `json:"peak_t"`
	RMST         float64    `json:"rms_t"`
	Public       float64    `json:"general_public_ratio"`
	Occupational float64    `json:"occupational_ratio"`
}

// Levels are the reference levels at a tone.
type Levels struct {
	Emitter       string  `json:"emitter"`
	Hz            float64 `json:"tone_hz"`
	PublicT       float64 `json:"general_public_t_rms"`
	OccupationalT float64 `json:"occupational_t_rms"`
}

func (p *Plan) exposure(ctx context.Context) error {
	r, o := p.Bench, &p.Options
	array, err := p.array()
	if err != nil {
		return err
	}
	x := &p.Exposure
	var emitters []exposure.Emitter
	for i, e := range r.Emitters {
		emitters = append(emitters, exposure.Emitter{Emitter: array.Emitters[i], Hz: e.ToneHz, CurrentPeak: e.CurrentPeakA})
		x.HeatingToo = x.HeatingToo || e.ToneHz > exposure.HeatingHz
	}
	bench, err := exposure.NewBench(emitters)
	if err != nil {
		x.Unavailable = err.Error()
		return nil
	}
	var reaches [2][]exposure.Reach // by group
	for group := range reaches {
		if reaches[group], err = bench.Reaches(ctx, exposure.Group(group)); err != nil {
			return err
		}
	}
	farthest := 0.0
	for i, e := range emitters {
		// NewBench has refused tones without a level.
		publicT, _ := exposure.ReferenceLevel(exposure.GeneralPublic, e.Hz)
		occupationalT, _ := exposure.ReferenceLevel(exposure.Occupational, e.Hz)
		x.Levels = append(x.Levels, Levels{e.Name, e.Hz, publicT, occupationalT})
		reach := Reach{e.Name, reaches[exposure.GeneralPublic][i].DistanceM, reaches[exposure.Occupational][i].DistanceM}
		x.Reaches = append(x.Reaches, reach)
		farthest = math.Max(farthest, reach.PublicM)
	}
	for _, d := range o.DistancesM {
		largest, err := bench.Largest(ctx, d)
		if err != nil {
			return err
		}
		f := fieldOf(largest)
		f.DistanceM = d
		x.Distances = append(x.Distances, f)
	}
	for _, at := range prediction.Grid(r.Volume(), gridSide) {
		if err := ctx.Err(); err != nil {
			return err
		}
		f, most := fieldOf(bench.At(at)), &x.Volume
		most.PeakT, most.RMST = max(most.PeakT, f.PeakT), max(most.RMST, f.RMST)
		most.Public, most.Occupational = max(most.Public, f.Public), max(most.Occupational, f.Occupational)
	}
	for _, at := range o.Points {
		f := fieldOf(bench.At(at))
		f.At = vector(at)
		x.Points = append(x.Points, f)
	}
	if farthest > 0 {
		p.caution("the general-public reference level of ICNIRP 2010 is exceeded up to %.0f mm from a coil's centre: distances of each coil are listed under exposure", farthest*1e3)
	}
	return nil
}

func fieldOf(f exposure.Field) Field {
	nan := math.NaN()
	return Field{DistanceM: nan, At: [3]float64{nan, nan, nan}, PeakT: f.PeakT, RMST: f.RMST,
		Public: f.Ratio[exposure.GeneralPublic], Occupational: f.Ratio[exposure.Occupational]}
}
