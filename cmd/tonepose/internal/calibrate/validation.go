package calibrate

import (
	"fmt"
	"math"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/mutual"
	"tonepose/solver"
	"tonepose/solver/assessment"
	"tonepose/solver/calibration"
)

// MetalValidation is the error of stations that had no part in a calibration and
// its map, the reference's own error included.
type MetalValidation struct {
	Folds    int     `json:"folds"`
	Without  float64 `json:"position_rms_without_m"`
	With     float64 `json:"position_rms_with_m"`
	Unsolved int     `json:"unsolved"`
	// Normalised is the mean square of the errors with the map over their stated
	// covariance, a coordinate, and Coverage the share inside the 95 % ellipsoids.
	Normalised float64 `json:"position_normalised"`
	Coverage   float64 `json:"coverage_95"`
}

// solver solves for sensor i on the bench with the map.
func (m *Metal) solver(i int, volume solver.Volume) (*solver.Solver, error) {
	first := fieldmodels.ParametersPerEmitter * len(m.Array.Emitters)
	for k := range i {
		first += mutual.ParametersPerCoil * len(m.Result.Sensor(k).Coils)
	}
	p := solver.Problem{Array: corrected(m.Array, m.Map), Sensor: m.Result.Sensor(i), Volume: volume}
	p.Errors = bench.NewMetal(m.Map, m.Array, p.Sensor, first)
	return solver.New(p, solver.Options{})
}

// ValidateMetal calibrates and maps without each of the folds of stations, and
// solves these with and without the map.
func ValidateMetal(p *calibration.Problem, o calibration.Options, c correction.Options, volume solver.Volume, folds int) (*MetalValidation, error) {
	out := &MetalValidation{Folds: folds}
	var with, without []assessment.Sample
	for fold := range folds {
		part := *p
		part.Stations = nil
		for s, st := range p.Stations {
			if s%folds != fold {
				part.Stations = append(part.Stations, st)
			}
		}
		alone, err := calibration.Calibrate(&part, o)
		if err != nil {
			return nil, err
		}
		metal, err := MapMetal(&part, o, c)
		if err != nil {
			return nil, fmt.Errorf("fold %d of %d: %w", fold+1, folds, err)
		}
		array, err := alone.Array()
		if err != nil {
			return nil, err
		}
		for i := range p.Sensors {
			plain, err := solver.New(solver.Problem{Array: array, Sensor: alone.Sensor(i), Volume: volume}, solver.Options{})
			if err != nil {
				return nil, err
			}
			mapped, err := metal.solver(i, volume)
			if err != nil {
				return nil, err
			}
			for s := fold; s < len(p.Stations); s += folds {
				st := &p.Stations[s]
				if st.Sensor != i || math.IsInf(st.SigmaPosition, 1) {
					continue
				}
				a, b := plain.Warm(st.Couplings, referencePose(alone, st)), mapped.Warm(st.Couplings, referencePose(metal.Result, st))
				if a.Status != solver.Converged || b.Status != solver.Converged {
					out.Unsolved++
					continue
				}
				for k := range 3 { // the reference errs too
					b.Covariance[k][k] += st.SigmaPosition * st.SigmaPosition
				}
				without = append(without, assessment.Sample{Estimate: a.Pose, Truth: referencePose(alone, st), PlaceOnly: true})
				with = append(with, assessment.Sample{Estimate: b.Pose, Truth: referencePose(metal.Result, st), PlaceOnly: true, Covariance: &b.Covariance})
			}
		}
	}
	if len(with) == 0 {
		return nil, fmt.Errorf("no station that was left out could be solved")
	}
	plain, _ := assessment.Summarise(without)
	mapped, _ := assessment.Summarise(with)
	out.Without, out.With = plain.PositionRMS, mapped.PositionRMS
	out.Normalised, out.Coverage = mapped.NormalisedMean, mapped.Coverage95
	return out, nil
}
