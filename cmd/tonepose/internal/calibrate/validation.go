package calibrate

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/mutual"
	"tonepose/solver"
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

// within95 is the 95 % point of chi-square with three degrees of freedom.
const within95 = 7.814727903

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

// mahalanobis is the square of a position's error over its covariance and that
// of a reference of equal sigmas.
func mahalanobis(c *[6][6]float64, sigma float64, off r3.Vec) float64 {
	cov := mat.NewSymDense(3, nil)
	for i := range 3 {
		for k := i; k < 3; k++ {
			cov.SetSym(i, k, c[i][k])
		}
		cov.SetSym(i, i, cov.At(i, i)+sigma*sigma)
	}
	var chol mat.Cholesky
	var solved mat.VecDense
	d := mat.NewVecDense(3, []float64{off.X, off.Y, off.Z})
	if !chol.Factorize(cov) || chol.SolveVecTo(&solved, d) != nil {
		return math.Inf(1)
	}
	return mat.Dot(d, &solved)
}

// ValidateMetal calibrates and maps without each of the folds of stations, and
// solves these with and without the map.
func ValidateMetal(p *calibration.Problem, o calibration.Options, c correction.Options, volume solver.Volume, folds int) (*MetalValidation, error) {
	out := &MetalValidation{Folds: folds}
	var with, without float64
	n := 0
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
				a, b := plain.Warm(st.Couplings, told(alone, st)), mapped.Warm(st.Couplings, told(metal.Result, st))
				if a.Status != solver.Converged || b.Status != solver.Converged {
					out.Unsolved++
					continue
				}
				without += r3.Norm2(r3.Sub(a.Pose.Position, told(alone, st).Position))
				off := r3.Sub(b.Pose.Position, told(metal.Result, st).Position)
				with += r3.Norm2(off)
				square := mahalanobis(&b.Covariance, st.SigmaPosition, off)
				out.Normalised += square / 3
				if square < within95 {
					out.Coverage++
				}
				n++
			}
		}
	}
	if n == 0 {
		return nil, fmt.Errorf("no station that was left out could be solved")
	}
	out.Normalised, out.Coverage = out.Normalised/float64(n), out.Coverage/float64(n)
	out.Without, out.With = math.Sqrt(without/float64(n)), math.Sqrt(with/float64(n))
	return out, nil
}
