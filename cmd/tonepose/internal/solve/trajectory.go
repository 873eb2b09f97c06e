package solve

import (
	"context"
	"fmt"

	"tonepose/cmd/tonepose/internal/bench"
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

// joined is one sensor's way from its windows, kept until the recording's end, to joined
// poses.
type joined struct {
	sensor *bench.Sensor
	solver *solver.Solver
	spool
	rows   *spooled // the windows again, for their rows
	joiner *trajectory.Joiner
	states []trajectory.State // of the next windows
	failed error              // the windows from here on stay as they are
}

// begin learns how the sensor moves.
func (j *joined) begin(ctx context.Context, o *Options) error {
	motion, w := o.Motion, &o.Windows
	motion.Smooth, motion.Spline = o.Trajectory == Smoothed, o.Trajectory == Splined
	motion.WindowSpread, motion.WindowKurtosis, motion.Correlation = w.Spread(), w.Kurtosis(), w.Correlation()
	if motion.Spline {
		motion.Knots = o.Knots
	}
	var err error
	j.joiner, err = trajectory.NewJoiner(ctx, j.solver, j.reader(j.solver), motion)
	return err
}

// next has states of the next windows, of all until one failed.
func (j *joined) next() (err error) {
	j.states, err = j.joiner.Next()
	return err
}

// fail notes why the poses are not joined from window n on.
func (j *joined) fail(err error, n int, how Trajectory) {
	where := ""
	if n > 0 {
		where = fmt.Sprintf(" from window %d on", n)
	}
	j.failed = fmt.Errorf("sensor %s: joining poses%s, --trajectory %v: %w: %w", j.sensor.Name, where, how, err, ErrUnjoined)
}
