package plan

import (
	"math"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/exposure"
	"tonepose/solver/prediction"

	"gonum.org/v1/gonum/spatial/r3"
)

// Exposure compares the field of all tones together with ICNIRP 2010.
type Exposure struct {
	Unavailable string   `json:"unavailable,omitempty"` // why there is no comparison
	Reaches     []Reach  `json:"reaches"`
	Distances   []Field  `json:"distances"`
	Volume      Field    `json:"working_volume"` // its largest values, each at its own place
	Points      []Field  `json:"points"`
	Levels      []Levels `json:"reference_levels"`
	HeatingToo  bool     `json:"heating_limits_apply_too"` // a tone above 100 kHz
}

// Reach is how far from a coil's centre the sum exceeds a reference level.
type Reach struct {
	Emitter       string `json:"emitter"`
	PublicM       Real   `json:"general_public_within_m"` // 0: nowhere
	OccupationalM Real   `json:"occupational_within_m"`
}

// Field is a field with its ratios.
type Field struct {
	DistanceM    Real    `json:"distance_m"` // of a distance: from the nearest coil's centre
	At           [3]Real `json:"at_m"`       // of a point
	PeakT        Real    `json:"peak_t"`
	RMST         Real    `json:"rms_t"`
	Public       Real    `json:"general_public_ratio"`
	Occupational Real    `json:"occupational_ratio"`
}

// Levels are the reference levels at a tone.
type Levels struct {
	Emitter       string  `json:"emitter"`
	Hz            float64 `json:"tone_hz"`
	PublicT       float64 `json:"general_public_t_rms"`
	OccupationalT float64 `json:"occupational_t_rms"`
}

func (p *Plan) exposure(r *rig.Rig, o Options) error {
	array, err := p.array(r)
	if err != nil {
		return err
	}
	x := &p.Exposure
	x.Reaches, x.Distances, x.Points, x.Levels = []Reach{}, []Field{}, []Field{}, []Levels{}
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
	for _, e := range emitters {
		l := Levels{Emitter: e.Name, Hz: e.Hz}
		if l.PublicT, err = exposure.ReferenceLevel(exposure.GeneralPublic, e.Hz); err != nil {
			return err
		}
		if l.OccupationalT, err = exposure.ReferenceLevel(exposure.Occupational, e.Hz); err != nil {
			return err
		}
		x.Levels = append(x.Levels, l)
	}
	public, occupational := bench.Reaches(exposure.GeneralPublic), bench.Reaches(exposure.Occupational)
	farthest := 0.0
	for i := range public {
		x.Reaches = append(x.Reaches, Reach{public[i].Emitter, Real(public[i].DistanceM), Real(occupational[i].DistanceM)})
		farthest = math.Max(farthest, public[i].DistanceM)
	}
	for _, d := range o.DistancesM {
		f := fieldOf(bench.Largest(d))
		f.DistanceM = Real(d)
		x.Distances = append(x.Distances, f)
	}
	for _, at := range prediction.Grid(r.Volume(), gridSide) {
		f := fieldOf(bench.At(at))
		for _, m := range []struct{ most, v *Real }{{&x.Volume.PeakT, &f.PeakT}, {&x.Volume.RMST, &f.RMST}, {&x.Volume.Public, &f.Public}, {&x.Volume.Occupational, &f.Occupational}} {
			*m.most = max(*m.most, *m.v)
		}
	}
	for _, at := range o.Points {
		f := fieldOf(bench.At(at))
		f.At = place3(at)
		x.Points = append(x.Points, f)
	}
	if farthest > 0 {
		p.caution("the general-public reference level of ICNIRP 2010 is exceeded up to %.0f mm from a coil's centre: distances of each coil are listed under exposure", farthest*1e3)
	}
	return nil
}

func fieldOf(f exposure.Field) Field {
	nan := Real(math.NaN())
	return Field{DistanceM: nan, At: [3]Real{nan, nan, nan}, PeakT: Real(f.PeakT), RMST: Real(f.RMST),
		Public: Real(f.Ratio[exposure.GeneralPublic]), Occupational: Real(f.Ratio[exposure.Occupational])}
}

// extent is the radius of a ball round the centre of a model that holds its
// conductor [m].
func extent(m *rig.Model, center r3.Vec) float64 {
	switch m.Type {
	case "loop":
		return m.RadiusM
	case "sheet":
		return math.Hypot(m.RadiusM, m.LengthM/2)
	case "winding":
		return math.Hypot(m.OuterRadiusM, m.LengthM/2)
	case "rectangle":
		return math.Hypot(m.WidthM, m.HeightM) / 2
	case "polyline":
		most := 0.0
		for _, p := range m.PointsM {
			most = math.Max(most, r3.Norm(r3.Sub(p, center)))
		}
		return most
	case "sum":
		most := 0.0
		for i := range m.Parts {
			part := &m.Parts[i]
			at := part.CenterM
			if part.Type == "polyline" || part.Type == "sum" {
				at = center
			}
			most = math.Max(most, r3.Norm(r3.Sub(at, center))+extent(part, at))
		}
		return most
	}
	return 0
}
