package calibrate

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/calibration"
)

// CalibrationSummary is what a calibration tells, in the form of its JSON.
type CalibrationSummary struct {
	Recording  string                 `json:"recording"`
	Rig        string                 `json:"rig"`
	Out        string                 `json:"out"`
	Free       string                 `json:"free"`
	Status     string                 `json:"status"`
	Iterations int                    `json:"iterations"`
	ElapsedS   float64                `json:"elapsed_s"`
	Chi2       float64                `json:"chi2"`
	DOF        int                    `json:"dof"`
	Missing    int                    `json:"missing_couplings"`
	Parameters []CalibratedParameter  `json:"parameters"`
	Gauges     []CalibrationGauge     `json:"gauges"`
	Emitters   []CalibratedEmitter    `json:"emitters"`
	Stations   []CalibratedStation    `json:"stations"`
	Frame      PoseSummary            `json:"frame"`   // of the reference device in the rig frame
	Markers    []PoseSummary          `json:"markers"` // of each sensor in its marker's frame
	Validation *CalibrationValidation `json:"cross_validation,omitempty"`
	Suggestion *CalibrationSuggestion `json:"suggestion,omitempty"`
	Metal      *MetalSummary          `json:"metal,omitempty"`
}

// CalibratedParameter is one number that was free.
type CalibratedParameter struct {
	Name      string   `json:"name"`
	Unit      string   `json:"unit"`
	Before    float64  `json:"before"`
	After     float64  `json:"after"`
	Sigma     float64  `json:"sigma"`
	Moved     *float64 `json:"moved"` // in sigmas; null where nothing is known
	Tolerance float64  `json:"tolerance"`
}

// CalibrationGauge is a way to move that no coupling notices.
type CalibrationGauge struct {
	Words  string `json:"words"`
	HeldBy string `json:"held_by"`
}

// CalibratedEmitter says how the couplings of one emitter fit.
type CalibratedEmitter struct {
	Name  string  `json:"name"`
	Chi2  float64 `json:"chi2"`
	Count int     `json:"couplings"`
}

// CalibratedStation says how one station fits.
type CalibratedStation struct {
	Line          int        `json:"line"` // of the intervals
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
	OffPositionM  [3]float64 `json:"off_position_m"` // adjusted less told
	OffRotation   [3]float64 `json:"off_rotation_rad"`

	Coils     int        `json:"coils"`
	Residuals []*float64 `json:"residuals"` // predicted less observed in sigmas, emitter by emitter; null where missing
}

// PoseSummary is a rigid motion.
type PoseSummary struct {
	Sensor     string     `json:"sensor,omitempty"`
	PositionM  [3]float64 `json:"position_m"`
	Quaternion [4]float64 `json:"quaternion_wxyz"`
}

// CalibrationValidation is how well stations are met that had no part in it.
type CalibrationValidation struct {
	Folds       int     `json:"folds"`
	PositionRMS float64 `json:"position_rms_m"`
	RotationRMS float64 `json:"orientation_rms_rad"`
}

// CalibrationSuggestion is the further station that would tell most.
type CalibrationSuggestion struct {
	Line            int     `json:"line"`
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

func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func poseSummary(p rigid.Pose) PoseSummary {
	q := p.Rotation
	return PoseSummary{"", [3]float64{p.Position.X, p.Position.Y, p.Position.Z}, [4]float64{q.Real, q.Imag, q.Jmag, q.Kmag}}
}

// SummariseCalibration gathers a result and what it says of single stations.
func SummariseCalibration(st *Stations, res *calibration.Result) (*CalibrationSummary, error) {
	sum := &CalibrationSummary{Status: res.Status.String(), Iterations: res.Iterations, Chi2: res.ChiSquare, DOF: res.DOF,
		Missing: st.Missing, Frame: poseSummary(res.Frame()), Gauges: []CalibrationGauge{}}
	for _, p := range res.Parameters {
		sum.Parameters = append(sum.Parameters, CalibratedParameter{Name: p.Name, Unit: p.Unit, Before: p.Before, After: p.After,
			Sigma: p.Sigma, Moved: number(p.Moved()), Tolerance: p.Tolerance})
	}
	for _, g := range res.Gauges {
		held := "stated tolerances"
		if g.Default {
			held = "tolerances of a usual size, as none is stated"
		}
		sum.Gauges = append(sum.Gauges, CalibrationGauge{g.Words, held})
	}
	for i, e := range st.Problem.Emitters {
		sum.Emitters = append(sum.Emitters, CalibratedEmitter{e.Name, res.EmitterChiSquare[i], res.EmitterCount[i]})
	}
	for i := range st.Problem.Sensors {
		m := poseSummary(res.Marker(i))
		m.Sensor = st.Problem.Sensors[i].Name
		sum.Markers = append(sum.Markers, m)
	}
	reports, err := res.Stations()
	if err != nil {
		return nil, err
	}
	share := 0.0
	for _, rep := range reports {
		share += rep.Leverage / float64(len(reports))
	}
	vec := func(v r3.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }
	for i, rep := range reports {
		row := &st.Rows[i]
		out := CalibratedStation{Line: row.Line, StartS: row.Start, StopS: row.Stop, Sensor: row.Sensor, Chi2: rep.ChiSquare, ReferenceChi2: rep.ReferenceChiSquare,
			DOF: rep.DOF, PValue: rep.PValue, Leverage: rep.Leverage, Leading: rep.Leverage > 3*share && len(reports) > 3, Outlier: rep.Outlier,
			Coils: len(st.Problem.Sensors[st.Problem.Stations[i].Sensor].Coils), OffPositionM: vec(rep.OffPosition), OffRotation: vec(rep.OffRotation)}
		for _, r := range rep.Residuals {
			out.Residuals = append(out.Residuals, number(r))
		}
		sum.Stations = append(sum.Stations, out)
	}
	return sum, nil
}

// CrossValidate adds the errors of stations that had no part in a calibration.
func (sum *CalibrationSummary) CrossValidate(st *Stations, o calibration.Options, folds int) error {
	cv, err := calibration.CrossValidate(&st.Problem, o, folds)
	if err != nil {
		return err
	}
	sum.Validation = &CalibrationValidation{folds, cv.PositionRMS, cv.RotationRMS}
	return nil
}

// Suggest adds which of the places would tell most. Sigmas that are not given
// are those of the first station.
func (sum *CalibrationSummary) Suggest(st *Stations, res *calibration.Result, places []tables.Station) error {
	var candidates []calibration.Candidate
	for _, p := range places {
		c := calibration.Candidate{Pose: p.Pose, SigmaPosition: p.SigmaPosition, SigmaRotation: p.SigmaRotation}
		first := &st.Problem.Stations[0]
		if math.IsNaN(c.SigmaPosition) {
			c.SigmaPosition = first.SigmaPosition
		}
		if math.IsNaN(c.SigmaRotation) {
			c.SigmaRotation = first.SigmaRotation
		}
		for i := range st.Problem.Sensors {
			if st.Problem.Sensors[i].Name == p.Sensor {
				c.Sensor = i
			}
		}
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
	sum.Suggestion = &CalibrationSuggestion{Line: places[best].Line, Before: before.Worst, BeforeParameter: name(before.Parameter),
		After: gains[best].Worst, AfterParameter: name(gains[best].Parameter)}
	return nil
}

// ParseLengths reads distances between emitters, each as A,B,METRES,SIGMA.
func ParseLengths(texts []string, r *rig.Rig) ([]calibration.Length, error) {
	var out []calibration.Length
	for _, text := range texts {
		part := strings.Split(text, ",")
		if len(part) != 4 {
			return nil, fmt.Errorf("--length %s: must be two emitters, metres and one sigma, as e1,e5,0.4,1e-4", text)
		}
		var l calibration.Length
		for i, at := range []*int{&l.A, &l.B} {
			*at = -1
			for k, e := range r.Emitters {
				if e.Name == strings.TrimSpace(part[i]) {
					*at = k
				}
			}
			if *at < 0 {
				return nil, fmt.Errorf("--length %s: %s is not an emitter of %s", text, part[i], r.File)
			}
		}
		for i, to := range []*float64{&l.Meters, &l.Sigma} {
			v, err := strconv.ParseFloat(strings.TrimSpace(part[2+i]), 64)
			if err != nil || !(v > 0) || math.IsInf(v, 1) {
				return nil, fmt.Errorf("--length %s: %s: must be a positive number of metres", text, part[2+i])
			}
			*to = v
		}
		if l.A == l.B {
			return nil, fmt.Errorf("--length %s: must join two emitters", text)
		}
		out = append(out, l)
	}
	return out, nil
}
