package pipeline

import (
	"context"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/coupling"
	"tonepose/solver"
	"tonepose/solver/integrity"
)

// pose solves one sensor in one frame, judges the fit and writes its rows.
func (r *run) pose(ctx context.Context, i int, m coupling.Matrix, hz []float64, time, duration float64, flags tables.Flags) error {
	s := &r.bench.sensors[i]
	obs := r.observed[i]
	copy(obs.Common, m.Common)
	for k, v := range m.Value {
		obs.Value[k], obs.Variance[k] = real(v), m.Variance[k]
	}
	guard := r.guards[i]
	result, found := r.fit(ctx, i, obs)
	judged, verdict, err := guard.inspect(ctx, &obs, m.Value, hz, &result, found, time, flags)
	if err != nil {
		return err
	}
	flags |= judged
	switch result.Status {
	case solver.NotConverged:
		flags |= tables.NotConverged
	case solver.Unobservable, solver.Invalid:
		flags |= tables.Unobservable
	}
	if result.Ambiguous {
		flags |= tables.Ambiguous
	}
	if result.Outside {
		flags |= tables.OutsideVolume
	}
	row := tables.Pose{Time: time, Duration: duration, Sensor: s.name, Chi2: math.NaN(), DOF: result.DOF,
		Iterations: result.Iterations, Status: result.Status.String()}
	if result.Status != solver.Invalid && finite(result.Pose) {
		pose := result.Pose
		row.Estimate, row.Chi2 = &pose, result.ChiSquare
		if tip := r.bench.Rig.Sensors[i].TipM; tip != nil {
			at := pose.Apply(*tip)
			row.Tip = &at
		}
		if result.Status == solver.Converged {
			row.Covariance = upper(&result.Covariance)
			r.last[i] = &pose
		}
	}
	row.Flags = flags
	if row.Estimate != nil {
		r.summary.Poses++
	} else {
		r.summary.Failed++
	}
	if flags != 0 {
		r.summary.Flagged++
	}
	if r.out.Integrity != nil {
		certainty(&verdict, s.solver, obs, &result)
		verdict.Time, verdict.Duration, verdict.Sensor, verdict.Flags = time, duration, s.name, flags
		if err := r.out.Integrity(verdict); err != nil {
			return err
		}
	}
	if r.out.Poses == nil {
		return nil
	}
	if r.joined != nil {
		r.joined[i].keep(row, obs)
		return nil
	}
	return r.out.Poses(row)
}

// fit finds a sensor's pose: from the last one in a series of windows, cold
// else or where that does not fit. It names the fault of earlier frames if this
// one shows it again.
func (r *run) fit(ctx context.Context, i int, obs solver.Couplings) (result solver.Result, found *integrity.Finding) {
	s, guard := &r.bench.sensors[i], r.guards[i]
	if start := r.last[i]; r.windowed && start != nil {
		result = s.solver.Warm(obs, *start)
		if found = guard.known(ctx, obs, &result); found != nil {
			// Wrong in the same way as earlier frames: no other place fits.
		} else if result.Status != solver.Converged || result.Outside || chance(result.ChiSquare, result.DOF) < doubtfulChance {
			if cold := s.solver.Cold(obs); cold.Status == solver.Converged && (result.Status != solver.Converged || cold.ChiSquare < result.ChiSquare) {
				result = cold
			}
		}
	} else {
		result = s.solver.Cold(obs)
		found = guard.known(ctx, obs, &result)
	}
	return result, found
}

// chance is the probability of a chi-square at least this large.
func chance(chi2 float64, dof int) float64 {
	if dof <= 0 {
		return 1
	}
	return distuv.ChiSquared{K: float64(dof)}.Survival(chi2)
}

func finite(p rigid.Pose) bool {
	q := p.Rotation
	sum := p.Position.X + p.Position.Y + p.Position.Z + q.Real + q.Imag + q.Jmag + q.Kmag
	return !math.IsNaN(sum) && !math.IsInf(sum, 0)
}

func upper(c *[6][6]float64) *tables.Covariance {
	var out tables.Covariance
	for i := range c {
		for j := i; j < 6; j++ {
			out.Set(i, j, c[i][j])
		}
	}
	return &out
}
