package calibrate

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/calibration"
)

// Summary is what a calibration found, in the form of its JSON.
type Summary struct {
	Recording      string         `json:"recording"`
	Rig            string         `json:"rig"`
	Out            string         `json:"out"`
	Free           string         `json:"free"`
	Status         string         `json:"status"`
	Iterations     int            `json:"iterations"`
	ElapsedS       float64        `json:"elapsed_s"`
	Chi2           float64        `json:"chi2"` // with sigmas as counted: see Inputs
	DOF            int            `json:"dof"`
	Missing        int            `json:"missing_couplings"`
	Flags          verdict.Counts `json:"-"` // of the couplings
	Stated         *AsStated      `json:"as_stated,omitempty"`
	Inputs         []Input        `json:"inputs"`
	LeftOut        []Station      `json:"left_out"`       // stations that contradict the others
	Contradictions []string       `json:"contradictions"` // in words, with what to do
	Parameters     []Parameter    `json:"parameters"`
	Gauges         []Gauge        `json:"gauges"`
	Emitters       []Emitter      `json:"emitters"`
	Stations       []Station      `json:"stations"`
	Frame          rigid.Pose     `json:"frame"`   // of the reference device in the rig frame
	Markers        []Marker       `json:"markers"` // of each sensor in its marker's frame
	Validation     *Validation    `json:"cross_validation,omitempty"`
	Suggestion     *Suggestion    `json:"suggestion,omitempty"`
	Metal          *MetalSummary  `json:"metal,omitempty"`
}

// AsStated is how everything fits as it was stated, all stations counted.
type AsStated struct {
	Chi2 float64 `json:"chi2"`
	DOF  int     `json:"dof"`
}

// Parameter is one number that was free.
type Parameter struct {
	Name      string  `json:"name"`
	Unit      string  `json:"unit"`
	Before    float64 `json:"before"`
	After     float64 `json:"after"`
	Sigma     float64 `json:"sigma"`
	Moved     float64 `json:"moved"`            // in sigmas; NaN where nothing is known
	Tolerance float64 `json:"tolerance"`        // as counted
	Stated    float64 `json:"stated_tolerance"` // one sigma, as the rig states it; 0: it does not
}

// Gauge is a change of parameters that changes no coupling.
type Gauge struct {
	Words  string `json:"words"`
	HeldBy string `json:"held_by"`
}

// Emitter says how the couplings of one emitter fit.
type Emitter struct {
	Name  string  `json:"name"`
	Chi2  float64 `json:"chi2"`
	Count int     `json:"couplings"`
}

// Station says how one station fits.
type Station struct {
	Line          int        `json:"line"` // of the intervals
	Name          string     `json:"station"`
	StartS        float64    `json:"start_s"`
	StopS         float64    `json:"stop_s"`
	Sensor        string     `json:"sensor"`
	Chi2          float64    `json:"chi2"`
	ReferenceChi2 float64    `json:"reference_chi2"`
	DOF           float64    `json:"dof"`
	PValue        float64    `json:"p_value"`
	Leverage      float64    `json:"leverage"`
	Leading       bool       `json:"leading"` // determines three times its share of the parameters and more
	Outlier       bool       `json:"outlier"`
	OffPositionM  [3]float64 `json:"off_position_m"` // adjusted less the reference's
	OffRotation   [3]float64 `json:"off_rotation_rad"`

	Coils     int       `json:"coils"`
	Residuals []float64 `json:"residuals"` // predicted less observed in sigmas, emitter by emitter; NaN where missing
}

// Marker is where a sensor is in the frame of the reference's marker.
type Marker struct {
	Sensor string     `json:"sensor"`
	Pose   rigid.Pose `json:"pose"`
}

// Validation is how well stations are met that had no part in it.
type Validation struct {
	Folds         int     `json:"folds"`
	PositionDrawn float64 `json:"position_rms_as_drawn_m"`
	RotationDrawn float64 `json:"orientation_rms_as_drawn_rad"`
	PositionRMS   float64 `json:"position_rms_m"`
	RotationRMS   float64 `json:"orientation_rms_rad"`
}

// Suggestion is the further station that would add most.
type Suggestion struct {
	Line            int     `json:"line"`
	Name            string  `json:"station"`
	Before          float64 `json:"worst_before"` // sigma over tolerance
	BeforeParameter string  `json:"worst_before_parameter"`
	After           float64 `json:"worst_after"`
	AfterParameter  string  `json:"worst_after_parameter"`
}

// MetalSummary is what a map of static metal explains.
type MetalSummary struct {
	Degree  int     `json:"degree"`
	Falloff float64 `json:"falloff"`              // radius of the mapped ball over the distance of the nearest source
	Before  float64 `json:"held_out_chi2_before"` // mean square in sigmas of couplings left out, without map
	After   float64 `json:"held_out_chi2_after"`
	// Standardised is the mean square of the same over the covariance of their
	// prediction, and Growth the factor by which that was widened for it.
	Standardised float64          `json:"held_out_standardised"`
	Growth       float64          `json:"variance_factor"`
	MinM         [3]float64       `json:"mapped_min_m"`
	MaxM         [3]float64       `json:"mapped_max_m"`
	Validation   *MetalValidation `json:"cross_validation,omitempty"`
}

func vector(v r3.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }

// summarise gathers a result and what it says of single stations.
func summarise(st *Stations, res *calibration.Result) (*Summary, error) {
	sum := &Summary{Status: string(res.Status), Iterations: res.Iterations, Chi2: res.ChiSquare, DOF: res.DOF,
		Missing: st.Missing, Flags: st.Flags, Frame: res.Frame(), Gauges: []Gauge{}, Inputs: []Input{}, LeftOut: []Station{}, Contradictions: []string{}}
	for _, p := range res.Parameters {
		stated := p.Tolerance
		if p.Assumed {
			stated = 0
		}
		sum.Parameters = append(sum.Parameters, Parameter{Name: p.Name, Unit: p.Unit, Before: p.Before, After: p.After,
			Sigma: p.Sigma, Moved: p.Moved(), Tolerance: p.Tolerance, Stated: stated})
	}
	for _, g := range res.Gauges {
		held := "stated tolerances"
		if g.Default {
			held = "tolerances of a usual size, as none is stated"
		}
		sum.Gauges = append(sum.Gauges, Gauge{g.Words, held})
	}
	for i, e := range st.Problem.Emitters {
		sum.Emitters = append(sum.Emitters, Emitter{e.Name, res.EmitterChiSquare[i], res.EmitterCount[i]})
	}
	for i := range st.Problem.Sensors {
		sum.Markers = append(sum.Markers, Marker{st.Problem.Sensors[i].Name, res.Marker(i)})
	}
	reports, err := res.Stations()
	if err != nil {
		return nil, err
	}
	share := 0.0
	for _, rep := range reports {
		share += rep.Leverage / float64(len(reports))
	}
	for i, rep := range reports {
		out := stationOf(&st.Rows[i], &rep, len(st.Problem.Sensors[st.Problem.Stations[i].Sensor].Coils))
		out.Leading = rep.Leverage > 3*share && len(reports) > 3
		sum.Stations = append(sum.Stations, out)
	}
	return sum, nil
}

func stationOf(row *tables.Station, rep *calibration.StationReport, coils int) Station {
	return Station{Line: row.Line, Name: row.Name(), StartS: row.Start, StopS: row.Stop, Sensor: row.Sensor, Chi2: rep.ChiSquare, ReferenceChi2: rep.ReferenceChiSquare,
		DOF: rep.DOF, PValue: rep.PValue, Leverage: rep.Leverage, Outlier: rep.Outlier,
		Coils: coils, OffPositionM: vector(rep.OffPosition), OffRotation: vector(rep.OffRotation), Residuals: rep.Residuals}
}

// reconcile adds what the inputs say of each other; all are the rows of the stations
// before any was left out.
func (sum *Summary) reconcile(all []tables.Station, r *calibration.Reconciled, b *bench.Bench) {
	sum.Stated = &AsStated{r.Stated.ChiSquare, r.Stated.DOF}
	sum.Inputs = inputs(r.Components)
	for i, p := range r.Stated.Parameters { // tolerances that the couplings contradict are counted larger
		if !p.Assumed {
			sum.Parameters[i].Stated = p.Tolerance
		}
	}
	for _, o := range r.Omitted {
		row := &all[o.Station]
		sum.LeftOut = append(sum.LeftOut, stationOf(row, &o.StationReport, len(b.Sensors()[slices.Index(b.SensorNames(), row.Sensor)].Coils)))
	}
	if words := contradictions(all, r); words != nil {
		sum.Contradictions = words
	}
}

// suggest adds which of the positions would add most. Sigmas that are not given
// are those of the first station.
func (sum *Summary) suggest(st *Stations, res *calibration.Result, positions []tables.Station) error {
	var candidates []calibration.Candidate
	for _, p := range positions {
		c := calibration.Candidate{Pose: p.Pose, SigmaPosition: p.SigmaPosition, SigmaRotation: p.SigmaRotation}
		first := &st.Problem.Stations[0]
		if math.IsNaN(c.SigmaPosition) {
			c.SigmaPosition = first.SigmaPosition
		}
		if math.IsNaN(c.SigmaRotation) {
			c.SigmaRotation = first.SigmaRotation
		}
		c.Sensor = max(0, slices.Index(st.bench.SensorNames(), p.Sensor))
		candidates = append(candidates, c)
	}
	best, gains, before, err := res.Suggest(candidates)
	if err != nil {
		return err
	}
	name := func(i int) string {
		if i < 0 {
			return "none"
		}
		return res.Parameters[i].Name
	}
	sum.Suggestion = &Suggestion{Line: positions[best].Line, Name: positions[best].Name(), Before: before.Worst, BeforeParameter: name(before.Parameter),
		After: gains[best].Worst, AfterParameter: name(gains[best].Parameter)}
	return nil
}

// lengths finds the emitters of known distances.
func lengths(given []Length, r *rig.Rig) (out []calibration.Length, err error) {
	for _, l := range given {
		var of [2]int
		for i, name := range []string{l.A, l.B} {
			if of[i] = slices.IndexFunc(r.Emitters, func(e rig.Emitter) bool { return e.Name == name }); of[i] < 0 {
				return nil, fmt.Errorf("--length %s,%s: %s is not an emitter of %s", l.A, l.B, name, r.File)
			}
		}
		if of[0] == of[1] {
			return nil, fmt.Errorf("--length %s,%s: must join two emitters", l.A, l.B)
		}
		out = append(out, calibration.Length{A: of[0], B: of[1], Meters: l.M, Sigma: l.SigmaM})
	}
	return out, nil
}
