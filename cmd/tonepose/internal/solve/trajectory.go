package solve

import (
	"context"
	"fmt"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
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

var trajectoryNames = []string{"none", "filter", "smooth", "spline"}

// String names it: "none", "filter", "smooth" or "spline".
func (t Trajectory) String() string { return trajectoryNames[t] }

// joined keeps one sensor's windows until the recording's end.
type joined struct {
	solver *solver.Solver
	rows   []*Row
	frames []trajectory.Frame
}

// keep stores a window instead of writing its pose.
func (j *joined) keep(row *Row, v *engine.Sensed) {
	j.rows = append(j.rows, row)
	fr := trajectory.Frame{Time: row.Time, Couplings: v.Fitted.Clone()}
	if v.Fit.Status == solver.Converged {
		pose := v.Fit.Pose
		fr.Pose = &pose
	}
	j.frames = append(j.frames, fr)
}

// join replaces the poses of one sensor's windows by those of the joint
// estimate. What was flagged of a window stays flagged.
func (j *joined) join(ctx context.Context, s *bench.Sensor, o *Options) (t *trajectory.Track, err error) {
	if len(j.frames) == 0 {
		return nil, nil
	}
	motion, w := o.Motion, &o.Windows
	motion.Smooth = o.Trajectory == Smoothed
	motion.WindowSpread, motion.WindowKurtosis, motion.Correlation = w.Spread(), w.Kurtosis(), w.Correlation()
	if o.Trajectory == Splined {
		motion.Knots = o.Knots
		t, err = trajectory.Spline(ctx, j.solver, j.frames, motion)
	} else {
		t, err = trajectory.Run(ctx, j.solver, j.frames, motion)
	}
	if err != nil {
		return nil, fmt.Errorf("sensor %s: joining poses, --trajectory %v: %w: %w", s.Name, o.Trajectory, err, ErrUnjoined)
	}
	for i := range j.rows {
		j.rows[i].Join(s, &t.States[i])
	}
	return t, nil
}
