package pipeline

import (
	"context"
	"fmt"
	"math"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/solver"
	"tonepose/solver/trajectory"
)

// Trajectory says how successive poses are joined.
type Trajectory int

const (
	Unjoined Trajectory = iota // every window by itself
	Filtered                   // by all windows up to it
	Smoothed                   // by all windows
	Splined                    // one smooth curve through all windows
)

// ParseTrajectory reads "none", "filter", "smooth" or "spline".
func ParseTrajectory(s string) (Trajectory, error) {
	switch s {
	case "none", "":
		return Unjoined, nil
	case "filter":
		return Filtered, nil
	case "smooth":
		return Smoothed, nil
	case "spline":
		return Splined, nil
	}
	return 0, fmt.Errorf("trajectory %q: must be none, filter, smooth or spline", s)
}

// joined keeps one sensor's windows until the recording's end.
type joined struct {
	rows   []tables.Pose
	frames []trajectory.Frame
}

// keep stores a window instead of writing its pose.
func (j *joined) keep(row tables.Pose, c solver.Couplings) {
	j.rows = append(j.rows, row)
	j.frames = append(j.frames, trajectory.Frame{Time: row.Time, Couplings: c.Clone()})
}

// join replaces the poses of one sensor's windows by those of the joint
// estimate. What was flagged of a window stays flagged.
func (j *joined) join(ctx context.Context, s *sensor, how Trajectory, o trajectory.Options, knots float64) (t *trajectory.Track, err error) {
	switch {
	case len(j.frames) == 0:
		return nil, nil
	case how == Splined:
		t, err = trajectory.Spline(ctx, s.solver, j.frames, trajectory.SplineOptions{Knots: knots, WindowSpread: o.WindowSpread, Correlation: o.Correlation, Gate: o.Gate})
	default:
		t, err = trajectory.Run(ctx, s.solver, j.frames, o)
	}
	if err != nil {
		return nil, fmt.Errorf("sensor %s: %w", s.name, err)
	}
	for i := range j.rows {
		row, state := &j.rows[i], &t.States[i]
		pose := state.Pose
		row.Estimate, row.Covariance = &pose, upper(&state.Covariance)
		row.Chi2, row.DOF = state.ChiSquare, state.DOF
	}
	return t, nil
}

// spread is the standard deviation of time under a window's weights [s].
func (w Windows) spread() float64 {
	cosine := w.cosine()
	second := cosine[0] / 12
	for k, a := range cosine[1:] {
		j := float64(k + 1)
		second += a * math.Pow(-1, j) / (2 * math.Pi * math.Pi * j * j)
	}
	return w.Length * math.Sqrt(second/cosine[0])
}

// correlation is 1 + 2Σρ over the correlations of white noise between windows
// that overlap.
func (w Windows) correlation() float64 {
	const n = 2000
	cosine := w.cosine()
	taper := make([]float64, n)
	var power float64
	for i := range taper {
		u := (float64(i)+0.5)/n - 0.5
		for j, a := range cosine {
			taper[i] += a * math.Cos(2*math.Pi*float64(j)*u)
		}
		power += taper[i] * taper[i]
	}
	sum := 1.0
	for k := 1; ; k++ {
		shift := int(math.Round(float64(k) * w.Hop / w.Length * n))
		if shift >= n || shift < 1 {
			return sum
		}
		for i := shift; i < n; i++ {
			sum += 2 * taper[i] * taper[i-shift] / power
		}
	}
}

func (w Windows) cosine() []float64 {
	if w.Cosine == nil {
		return []float64{0.5, 0.5}
	}
	return w.Cosine
}

func (w Windows) taper() string {
	if w.Taper == "" && w.Cosine == nil {
		return "hann"
	}
	return w.Taper
}

// join writes the poses that waited for the recording's end, in the order of
// time.
func (r *run) join(ctx context.Context, o SolveOptions) error {
	if r.joined == nil {
		return nil
	}
	m := o.Motion
	m.Smooth = o.Trajectory == Smoothed
	m.WindowSpread, m.Correlation = o.Windows.spread(), o.Windows.correlation()
	for i := range r.joined {
		t, err := r.joined[i].join(ctx, &r.bench.sensors[i], o.Trajectory, m, o.Knots)
		if err != nil {
			return err
		}
		r.summary.Tracks = append(r.summary.Tracks, t)
	}
	for k := range r.joined[0].rows {
		for i := range r.joined {
			row := r.joined[i].rows[k]
			if tip := r.bench.Rig.Sensors[i].TipM; tip != nil {
				at := row.Estimate.Apply(*tip)
				row.Tip = &at
			}
			if err := r.out.Poses(row); err != nil {
				return err
			}
		}
	}
	return nil
}
