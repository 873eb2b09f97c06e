package subject

import (
	"context"
	"math"
	"slices"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/solver"
)

// Without marks the couplings of emitters and coils, and counts those that are left.
func (s *Stage) Without(sensor int, emitters, coils []int) (out []bool, left int, err error) {
	m := &s.Roster.sensors[sensor]
	out = make([]bool, len(s.Roster.Emitters)*len(m.coils))
	for _, e := range emitters {
		if e < 0 || e >= len(s.Roster.Emitters) {
			return nil, 0, mistaken("must be numbers of emitters", "emitters: %d", e)
		}
		for k := range m.coils {
			out[e*len(m.coils)+k] = true
		}
	}
	for _, c := range coils {
		k := slices.Index(m.channels, c)
		if k < 0 {
			return nil, 0, mistaken("must be channels of the sensor's coils", "coils: %d", c)
		}
		for e := range s.Roster.Emitters {
			out[e*len(m.coils)+k] = true
		}
	}
	for _, gone := range out {
		if !gone {
			left++
		}
	}
	return out, left, nil
}

// Resolver solves windows of one sensor anew. It is for one goroutine.
type Resolver struct {
	stage  *Stage
	sensor int
	Solver *solver.Solver
}

// NewResolver prepares to solve windows of a sensor.
func (s *Stage) NewResolver(sensor int) (*Resolver, error) {
	sv, err := s.Bench.Solver(sensor)
	return &Resolver{s, sensor, sv}, err
}

// Couplings are those of a window as the solver wants them; out are left out.
func (r *Resolver) Couplings(w *Shown, out []bool) (c solver.Couplings, quadrature []complex128) {
	m := &r.stage.Roster.sensors[r.sensor]
	n := len(r.stage.Roster.Emitters) * len(m.coils)
	c = solver.Couplings{Value: make([]float64, n), Variance: slices.Repeat([]float64{math.Inf(1)}, n), Common: make([]float64, len(r.stage.Roster.Emitters))}
	quadrature = make([]complex128, n)
	for i := range w.Couplings {
		v := &w.Couplings[i]
		e, k := slices.Index(r.stage.Roster.Emitters, v.Emitter), slices.Index(m.coils, v.Channel)
		at := e*len(m.coils) + k
		if e < 0 || k < 0 || !tables.IsNumber(v.Value) || out != nil && out[at] {
			continue
		}
		c.Value[at], quadrature[at] = v.Value, complex(v.Value, v.Quadrature)
		if tables.IsNumber(v.Sigma) {
			c.Variance[at] = v.Sigma * v.Sigma
		}
	}
	for e, v := range w.common {
		c.Common[e] = v
	}
	return c, quadrature
}

// From solves from the pose of the window, or from nothing where it has none or that
// leads nowhere.
func (r *Resolver) From(c solver.Couplings, w *Shown) solver.Result {
	if w.Pose.Estimate != nil {
		if found := r.Solver.Warm(c, *w.Pose.Estimate); found.Status == solver.Converged {
			return found
		}
	}
	return r.Solver.Cold(c)
}

// Solve solves a window anew and judges it.
func (r *Resolver) Solve(ctx context.Context, w *Shown, out []bool) (*Shown, error) {
	c, quadrature := r.Couplings(w, out)
	found := r.Solver.Cold(c)
	if near := r.From(c, w); near.Status == solver.Converged && (found.Status != solver.Converged || near.ChiSquare <= found.ChiSquare) {
		found = near
	}
	guard := verdict.NewGuard(r.stage.Bench, r.sensor, r.Solver, verdict.Options{})
	samples := w.Pose.Flags & (verdict.SampleFaults | verdict.Motion)
	hz := make([]float64, len(r.stage.Roster.Emitters))
	for e := range hz {
		hz[e] = r.stage.Rig.Emitters[e].ToneHz
	}
	frame := verdict.Frame{Time: w.Pose.Time, Hz: hz, Shares: make([]string, len(hz)), Flags: samples}
	flags, worth, err := guard.Judge(ctx, &c, quadrature, &found, nil, &frame)
	if err != nil {
		return nil, err
	}
	flags |= samples
	switch found.Status {
	case solver.NotConverged:
		flags |= verdict.NotConverged
	case solver.Unobservable, solver.Invalid:
		flags |= verdict.Unobservable
	}
	if found.Ambiguous {
		flags |= verdict.Ambiguous
	}
	if found.Outside {
		flags |= verdict.OutsideVolume
	}
	next := &Shown{truth: w.truth, Couplings: w.Couplings, phasors: w.phasors}
	next.Pose = tables.Pose{Time: w.Pose.Time, Duration: w.Pose.Duration, Sensor: w.Pose.Sensor, Chi2: math.NaN(), DOF: found.DOF, Iterations: found.Iterations,
		Status: found.Status.String(), Flags: flags}
	next.worth = &tables.Integrity{Time: w.Pose.Time, Duration: w.Pose.Duration, Sensor: w.Pose.Sensor, Verdict: worth, Flags: flags}
	if found.Iterations > 0 {
		next.Pose.Chi2 = found.ChiSquare
	}
	if !found.HasPose() {
		return next, nil
	}
	pose := found.Pose
	next.Pose.Estimate = &pose
	if tip := r.stage.Bench.Sensors()[r.sensor].Tip; tip != nil {
		at := pose.Apply(*tip)
		next.Pose.Tip = &at
	}
	if found.Status == solver.Converged {
		next.Pose.Covariance = new(tables.Covariance)
		for i := range 6 {
			for j := i; j < 6; j++ {
				next.Pose.Covariance.Set(i, j, found.Covariance[i][j])
			}
		}
	}
	return next, nil
}
