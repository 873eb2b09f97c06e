package solver

import (
	"fmt"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/kernel"
)

// batch is the working memory of WarmAll: kernel.Lanes frames side by side.
type batch struct {
	pose   kernel.Pose
	coils  []kernel.Coil
	data   []kernel.Datum // [emitter·coils + coil]
	rows   []kernel.Row
	sum    kernel.SumVec
	newton kernel.Newton
	lanes  [kernel.Lanes]lane
}

// lane is one frame under way.
type lane struct {
	frame      int // −1: idle
	used       int
	iterations int
	chi2       float64  // at the pose before
	before     float64  // squared length of the step from there, in sigmas
	variance   *float64 // first of the variances that the lane's data hold
}

// WarmAll solves many frames, each from a start of its own, into results; all
// three have the same length, else WarmAll panics. Arrays of dipoles with point
// coils, taken as exact, are solved several frames at a time; others, and frames whose plain
// Gauss–Newton steps do not do, as by Warm. Results differ from Warm's by
// rounding. The first call allocates working memory, later ones nothing.
func (s *Solver) WarmAll(results []Result, frames []Couplings, starts []rigid.Pose) {
	if len(results) != len(frames) || len(starts) != len(frames) {
		panic(fmt.Sprintf("solver: WarmAll: %d results, %d frames and %d starts must be equally many",
			len(results), len(frames), len(starts)))
	}
	if s.rig.dipoles == nil || !kernel.Many() || !s.rig.errors.Exact() {
		for i := range frames {
			results[i] = s.Warm(frames[i], starts[i])
		}
		return
	}
	if s.batch == nil {
		n := len(s.rig.sources) * len(s.rig.pickups)
		s.batch = &batch{
			coils: make([]kernel.Coil, len(s.rig.pickups)),
			data:  make([]kernel.Datum, n),
			rows:  make([]kernel.Row, n),
		}
	}
	b := s.batch
	next, busy := 0, 0
	for l := range b.lanes {
		b.lanes[l].variance = nil
		if s.refill(l, results, frames, starts, &next) {
			busy++
		}
	}
	scale := 0.0
	if s.rig.axial {
		i := s.rig.pickups[0].inverse
		scale = i * i
	}
	for busy > 0 {
		kernel.AdvanceMany(&b.pose, &b.newton.Step, s.rig.points, b.coils)
		kernel.DipoleRowsMany(b.rows, s.rig.spread, b.coils, b.data)
		kernel.Accumulate(&b.sum, b.rows)
		kernel.SolveMany(&b.newton, &b.sum, &b.coils[0], scale)
		for l := range b.lanes {
			n := &b.lanes[l]
			if n.frame < 0 {
				continue
			}
			if again, ok := s.judgeLane(l); again {
				continue
			} else if ok {
				s.finishLane(l, &results[n.frame])
			} else {
				results[n.frame] = s.Warm(frames[n.frame], starts[n.frame])
			}
			if !s.refill(l, results, frames, starts, &next) {
				busy--
			}
		}
	}
}

// judgeLane applies descend's rules for plain steps to lane l: whether it goes on, and
// if not, whether it has converged.
func (s *Solver) judgeLane(l int) (again, ok bool) {
	b := s.batch
	n := &b.lanes[l]
	chi2, slope := b.sum[chiSquare][l], b.newton.Slope[l]
	st := &b.newton.Step
	n.iterations++
	if b.newton.Sound>>l&1 == 0 || !(slope >= 0) || n.iterations > patience {
		return false, false
	}
	if n.iterations > 1 {
		rho := (n.chi2 - chi2) / n.before
		if !(rho > 0.25) {
			return false, false
		}
		if rho < 0.75 {
			n.before = 0
		}
	}
	tol := s.rig.options.StepTol * s.rig.options.StepTol
	if slope < tol || n.iterations > 1 && last(slope, n.before, tol) {
		return false, true
	}
	if !(st[3][l]*st[3][l]+st[4][l]*st[4][l]+st[5][l]*st[5][l] <= maxTurn*maxTurn) ||
		!((st[0][l]*st[0][l]+st[1][l]*st[1][l]+st[2][l]*st[2][l])*s.rig.stride <= 1) {
		return false, false
	}
	n.chi2, n.before = chi2, slope
	return true, true
}

// finishLane takes the last step of lane l and fills its result.
func (s *Solver) finishLane(l int, r *Result) {
	b := s.batch
	n := &b.lanes[l]
	var st state
	p := &b.pose
	st.Origin = r3.Vec{X: p[0][l], Y: p[1][l], Z: p[2][l]}
	st.q = quat.Number{Real: p[3][l], Imag: p[4][l], Jmag: p[5][l], Kmag: p[6][l]}
	var step [6]float64
	for i := range step {
		step[i] = b.newton.Step[i][l]
	}
	s.move(&st, &st, &step)
	for k := range s.factor {
		s.factor[k] = b.newton.Factor[k][l]
	}
	s.used = n.used
	s.variances[0] = 0 // s.used is not theirs any more: the next load weighs anew
	d := descent{chi2: b.sum[chiSquare][l] - b.newton.Slope[l], iterations: n.iterations, status: Converged}
	*r = Result{}
	s.finish(r, &st, &d)
}

// refill gives lane l the next frame that can be solved; false when none is
// left.
func (s *Solver) refill(l int, results []Result, frames []Couplings, starts []rigid.Pose, next *int) bool {
	b := s.batch
	n := &b.lanes[l]
	n.frame = -1
	for ; *next < len(frames); *next++ {
		f := &frames[*next]
		s.shape(f)
		if len(f.Common) != 0 && s.SharesDrive(f) {
			results[*next] = s.Warm(*f, starts[*next])
			continue
		}
		if n.variance != &f.Variance[0] {
			n.variance = nil
			var ok bool
			if n.used, ok = inverseSigmas(f.Variance, func(i int) *float64 { return &b.data[i][1][l] }); !ok {
				results[*next] = Result{Status: Invalid}
				continue
			}
			n.variance = &f.Variance[0]
		}
		if n.used < s.Freedom() {
			results[*next] = Result{Status: Unobservable, DOF: n.used - s.Freedom()}
			continue
		}
		check := 0.0
		for k := range b.data {
			v := f.Value[k]
			if b.data[k][1][l] == 0 {
				v = 0
			}
			b.data[k][0][l] = v
			check += v - v
		}
		if check != 0 {
			results[*next] = Result{Status: Invalid}
			continue
		}
		st := s.rig.stateOf(starts[*next])
		o, q := st.Origin, st.q
		for i, v := range [7]float64{o.X, o.Y, o.Z, q.Real, q.Imag, q.Jmag, q.Kmag} {
			b.pose[i][l] = v
		}
		for i := range b.newton.Step {
			b.newton.Step[i][l] = 0
		}
		n.frame, n.iterations, n.before = *next, 0, 0
		*next++
		return true
	}
	return false
}
