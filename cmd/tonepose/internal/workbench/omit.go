package workbench

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/solver"
)

// omitAsk takes emitters and coils out of the solving of a window.
type omitAsk struct {
	Time     float64  `json:"time_s"`
	Sensor   int      `json:"sensor"`
	Emitters []int    `json:"emitters"`
	Coils    []int    `json:"coils"` // channels
	From     *float64 `json:"from_s"`
	To       *float64 `json:"to_s"`
	Points   int      `json:"points"`
}

// omitted is a path solved anew.
type omitted struct {
	Time  []float64 `json:"time_s"`
	X     []float64 `json:"x_m"`
	Y     []float64 `json:"y_m"`
	Z     []float64 `json:"z_m"`
	Sigma []float64 `json:"sigma_m"`
}

// mostSolved bounds how many windows of a path are solved anew.
const mostSolved = 400

// omit answers with the pose of a window with and without some emitters and coils, by
// the solver that solve uses.
func (s *server) omit(w http.ResponseWriter, r *http.Request) error {
	var ask omitAsk
	if err := receive(w, r, &ask); err != nil {
		return err
	}
	of := s.now().base()
	if ask.Sensor < 0 || ask.Sensor >= len(of.tracks) {
		return bad("must be the number of a sensor", "sensor = %d", ask.Sensor)
	}
	out, left, err := of.without(ask.Sensor, ask.Emitters, ask.Coils)
	if err != nil {
		return err
	}
	done, err := s.large(r.Context())
	if err != nil {
		return err
	}
	defer done()
	track := of.tracks[ask.Sensor]
	row, ok := track.rows.At(ask.Time)
	if !ok {
		return errLater
	}
	have, err := s.now().shown(r.Context(), ask.Sensor, row)
	if err != nil {
		return err
	}
	if have == nil || len(have.couplings) == 0 {
		return &badRequest{http.StatusConflict, "no couplings are kept of this window", "solve the recording with its tables of couplings"}
	}
	re, err := of.newResolver(ask.Sensor)
	if err != nil {
		return err
	}
	if left < re.solver.Freedom() {
		return &badRequest{http.StatusUnprocessableEntity, fmt.Sprintf("%d couplings are left, and a pose has %d unknowns", left, re.solver.Freedom()), "leave fewer out"}
	}
	whole, err := re.solve(r.Context(), have, nil)
	if err != nil {
		return err
	}
	part, err := re.solve(r.Context(), have, out)
	if err != nil {
		return err
	}
	of.mu.Lock()
	before, after := of.roster.reading(ask.Sensor, whole), of.roster.reading(ask.Sensor, part)
	of.mu.Unlock()
	if m := after.Couplings; m != nil {
		for i, gone := range out {
			if gone {
				e, k := i/len(m.Channels), i%len(m.Channels)
				m.Residual[e][k], m.Turned[e][k] = math.NaN(), math.NaN()
			}
		}
	}
	answered := map[string]any{"before": before, "after": after, "moved_m": math.NaN(), "turned_rad": math.NaN(), "moved_sigmas": math.NaN()}
	if whole.pose.Estimate != nil && part.pose.Estimate != nil {
		moved, turned := apart(*part.pose.Estimate, *whole.pose.Estimate)
		answered["moved_m"], answered["turned_rad"], answered["moved_sigmas"] = moved, turned, moved/before.Sigma
	}
	if ask.From != nil && ask.To != nil {
		path, err := s.omittedPath(r.Context(), re, &ask, out)
		if err != nil {
			return err
		}
		answered["path"] = path
	}
	return answer(w, answered)
}

// omittedPath solves windows of a stretch, evenly picked, without what is left out.
func (s *server) omittedPath(ctx context.Context, re *resolver, ask *omitAsk, out []bool) (*omitted, error) {
	track := s.now().base().tracks[ask.Sensor]
	points := min(max(ask.Points, 1), mostSolved)
	p := track.rows.Pick(*ask.From, *ask.To, points, nil)
	path := &omitted{Time: []float64{}, X: []float64{}, Y: []float64{}, Z: []float64{}, Sigma: []float64{}}
	for i := 0; i < len(p.Time) && len(path.Time) < mostSolved; i++ {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		row, ok := track.rows.At(p.Time[i])
		if !ok || row.Time != p.Time[i] {
			continue // a gap
		}
		have, err := s.now().shown(ctx, ask.Sensor, row)
		if err != nil {
			return nil, err
		}
		if have == nil || len(have.couplings) == 0 {
			continue
		}
		c, _ := re.couplings(have, out)
		r := re.from(c, have)
		if r.Status == solver.Invalid || !r.Pose.Finite() {
			continue
		}
		at := r.Pose.Position
		v := r.Covariance
		path.Time, path.X, path.Y, path.Z = append(path.Time, row.Time), append(path.X, at.X), append(path.Y, at.Y), append(path.Z, at.Z)
		path.Sigma = append(path.Sigma, math.Sqrt(v[0][0]+v[1][1]+v[2][2]))
	}
	return path, nil
}

// without marks the couplings of emitters and coils, and counts those that are left.
func (s *stage) without(sensor int, emitters, coils []int) (out []bool, left int, err error) {
	m := &s.roster.sensors[sensor]
	out = make([]bool, len(s.roster.emitters)*len(m.coils))
	for _, e := range emitters {
		if e < 0 || e >= len(s.roster.emitters) {
			return nil, 0, bad("must be numbers of emitters", "emitters: %d", e)
		}
		for k := range m.coils {
			out[e*len(m.coils)+k] = true
		}
	}
	for _, c := range coils {
		k := slices.Index(m.channels, c)
		if k < 0 {
			return nil, 0, bad("must be channels of the sensor's coils", "coils: %d", c)
		}
		for e := range s.roster.emitters {
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

// resolver solves windows of one sensor anew. It is for one goroutine.
type resolver struct {
	stage  *stage
	sensor int
	solver *solver.Solver
}

func (s *stage) newResolver(sensor int) (*resolver, error) {
	sv, err := s.bench.Solver(sensor)
	return &resolver{s, sensor, sv}, err
}

// couplings are those of a window as the solver wants them; out are left out.
func (r *resolver) couplings(w *shown, out []bool) (c solver.Couplings, quadrature []complex128) {
	m := &r.stage.roster.sensors[r.sensor]
	n := len(r.stage.roster.emitters) * len(m.coils)
	c = solver.Couplings{Value: make([]float64, n), Variance: slices.Repeat([]float64{math.Inf(1)}, n), Common: make([]float64, len(r.stage.roster.emitters))}
	quadrature = make([]complex128, n)
	for i := range w.couplings {
		v := &w.couplings[i]
		e, k := slices.Index(r.stage.roster.emitters, v.Emitter), slices.Index(m.coils, v.Channel)
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

// from solves from the pose of the window, or from nothing where it has none or that
// leads nowhere.
func (r *resolver) from(c solver.Couplings, w *shown) solver.Result {
	if w.pose.Estimate != nil {
		if found := r.solver.Warm(c, *w.pose.Estimate); found.Status == solver.Converged {
			return found
		}
	}
	return r.solver.Cold(c)
}

// solve solves a window anew and judges it.
func (r *resolver) solve(ctx context.Context, w *shown, out []bool) (*shown, error) {
	c, quadrature := r.couplings(w, out)
	found := r.solver.Cold(c)
	if near := r.from(c, w); near.Status == solver.Converged && (found.Status != solver.Converged || near.ChiSquare <= found.ChiSquare) {
		found = near
	}
	guard := verdict.NewGuard(r.stage.bench, r.sensor, r.solver, verdict.Options{})
	samples := w.pose.Flags & (verdict.SampleFaults | verdict.Motion)
	hz := make([]float64, len(r.stage.roster.emitters))
	for e := range hz {
		hz[e] = r.stage.rig.Emitters[e].ToneHz
	}
	frame := verdict.Frame{Time: w.pose.Time, Hz: hz, Shares: make([]string, len(hz)), Flags: samples}
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
	next := &shown{truth: w.truth, couplings: w.couplings, phasors: w.phasors}
	next.pose = tables.Pose{Time: w.pose.Time, Duration: w.pose.Duration, Sensor: w.pose.Sensor, Chi2: math.NaN(), DOF: found.DOF, Iterations: found.Iterations,
		Status: found.Status.String(), Flags: flags}
	next.worth = &tables.Integrity{Time: w.pose.Time, Duration: w.pose.Duration, Sensor: w.pose.Sensor, Verdict: worth, Flags: flags}
	if found.Status == solver.Invalid || !found.Pose.Finite() {
		return next, nil
	}
	pose := found.Pose
	next.pose.Estimate, next.pose.Chi2 = &pose, found.ChiSquare
	if tip := r.stage.bench.Sensors()[r.sensor].Tip; tip != nil {
		at := pose.Apply(*tip)
		next.pose.Tip = &at
	}
	if found.Status == solver.Converged {
		next.pose.Covariance = new(tables.Covariance)
		for i := range 6 {
			for j := i; j < 6; j++ {
				next.pose.Covariance.Set(i, j, found.Covariance[i][j])
			}
		}
	}
	return next, nil
}
