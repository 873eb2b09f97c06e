package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/trajectory"
)

// Row is a row of the table of poses in memory of its own: what the pose's pointers point
// to is in it. It must not be copied once it was filled.
type Row struct {
	tables.Pose
	estimate   rigid.Pose
	tip        r3.Vec
	covariance tables.Covariance
	live       tables.Live
}

// Fill makes it the row of one sensor's pose in a frame. It does not allocate.
func (r *Row) Fill(s *bench.Sensor, f *stream.Measured, v *engine.Sensed) {
	r.Pose = tables.Pose{Time: f.Time, Duration: f.Duration, Sensor: s.Name, Chi2: math.NaN(), DOF: v.Fit.DOF,
		Iterations: v.Fit.Iterations, Status: v.Fit.Status.String(), Flags: v.Flags}
	if v.Fit.Iterations > 0 { // something was fitted
		r.Chi2 = v.Fit.ChiSquare
	}
	if !v.Solved {
		return
	}
	r.place(s, v.Fit.Pose)
	if v.Fit.Status == solver.Converged {
		r.cover(&v.Fit.Covariance)
	}
}

// Join replaces the pose by that of a joint estimate. What was flagged stays flagged.
func (r *Row) Join(s *bench.Sensor, state *trajectory.State) {
	if state.Unknown {
		return
	}
	r.place(s, state.Pose)
	r.cover(&state.Covariance)
	r.Chi2, r.DOF = state.ChiSquare, state.DOF
}

// Came notes how a row of a live stream came.
func (r *Row) Came(l tables.Live) {
	r.live = l
	r.Live = &r.live
}

func (r *Row) place(s *bench.Sensor, pose rigid.Pose) {
	r.estimate = pose
	r.Estimate = &r.estimate
	if s.Tip != nil {
		r.tip = pose.Apply(*s.Tip)
		r.Tip = &r.tip
	}
}

func (r *Row) cover(c *[6][6]float64) {
	for i := range c {
		for j := i; j < 6; j++ {
			r.covariance.Set(i, j, c[i][j])
		}
	}
	r.Covariance = &r.covariance
}
