package verdict

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver"
)

// curvedShare is the uncertainty of a pose, relative to its distance from the
// nearest emitter or in radians, below which the model is straight enough: its
// curvature is of the order of that share, in standard deviations.
const curvedShare = 0.01

// rareRatio is a likelihood ratio too small to mention.
const rareRatio = 1e-6

// bound says what the covariance of a pose leaves out: a second pose that
// fits almost as well, and how far the model is curved within the uncertainty. Where
// it is curved too far, intervals by profile likelihood replace the covariance.
func (row *Verdict) bound(s *solver.Solver, c solver.Couplings, r *solver.Result) {
	if r.HasPose() && r.RunnerUp.Ratio > rareRatio {
		second := r.RunnerUp.Pose
		row.RunnerUp, row.RunnerUpRatio = &second, r.RunnerUp.Ratio
	}
	if r.Status != solver.Converged || row.Growth > 1 || !uncertain(s, r) { // noise is not what makes a misfit uncertain
		return
	}
	row.Nonlinearity = s.Nonlinearity(c, r)
	if row.Nonlinearity <= solver.NonlinearityLimit {
		return
	}
	if row.Finding != "" {
		row.Finding += "; "
	}
	row.Finding += "the field model is curved over this uncertainty: take the intervals, not the covariance"
	for axis := range row.Low {
		low, high, err := s.Interval(c, r, axis, 0.95)
		if err != nil {
			continue
		}
		if !math.IsInf(low, 0) { // NULL: open on this side
			row.Low[axis] = low
		}
		if !math.IsInf(high, 0) {
			row.High[axis] = high
		}
	}
}

// uncertain reports whether a pose is uncertain enough for the model's curvature to
// matter.
func uncertain(s *solver.Solver, r *solver.Result) bool {
	k := &r.Covariance
	nearest := math.Inf(1)
	for _, e := range s.Problem().Array.Emitters {
		nearest = min(nearest, r3.Norm(r3.Sub(r.Pose.Position, e.Center)))
	}
	return math.Sqrt(k[0][0]+k[1][1]+k[2][2]) > curvedShare*nearest || math.Sqrt(k[3][3]+k[4][4]+k[5][5]) > curvedShare
}
