package engine

import (
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/solver"
	"tonepose/solver/integrity"
)

// seeker finds poses from anywhere where following the last one does not do. Couplings
// that no pose explains take such a search a thousand times as long as others take to
// follow: while frame after frame is sought in vain, ever fewer are.
type seeker struct {
	solver         *solver.Solver
	wait, patience int     // frames until the next search, and after one in vain
	before         float64 // chi-square of the last frame that did not fit
}

const (
	// changed is the factor between the chi-squares of two frames from which on
	// something else is wrong with the second: it is searched for out of turn.
	changed = 4
	// longestPatience is how many frames at most go by without a search.
	longestPatience = 31
)

// follow returns a pose that was followed if it fits, or the best from anywhere if that
// is better.
func (s *seeker) follow(c solver.Couplings, followed solver.Result) solver.Result {
	if fits(&followed) {
		s.wait, s.patience = 0, 0
		return followed
	}
	same := followed.ChiSquare <= changed*s.before && followed.ChiSquare*changed >= s.before
	s.before = followed.ChiSquare
	if s.wait > 0 && same {
		s.wait--
		return followed
	}
	if cold := s.solver.Cold(c); cold.Status == solver.Converged && (followed.Status != solver.Converged || cold.ChiSquare < followed.ChiSquare) {
		followed = cold
	}
	if fits(&followed) {
		s.wait, s.patience = 0, 0
		return followed
	}
	s.patience = min(2*s.patience+1, longestPatience)
	s.wait, s.before = s.patience, followed.ChiSquare
	return followed
}

// fits tells whether a pose explains its couplings, inside the working volume.
func fits(r *solver.Result) bool {
	return r.Status == solver.Converged && !r.Outside && integrity.Chance(r.ChiSquare, r.DOF) >= verdict.Doubtful
}
