package solver

import (
	"math"

	"tonepose/solver/internal/kernel"
)

// minPivot is the smallest pivot over its diagonal that counts as observable:
// a parameter whose squared multiple correlation with others is nearer to one
// is lost in the rounding of the normal matrix, about 1e-16 times the condition.
const minPivot = 1e-12

// maxTurn bounds the rotation of one step [rad]: beyond it the linearised
// rotation says nothing.
const maxTurn = 0.6

// descent is what a descent leaves beside s.sum and s.factor.
type descent struct {
	chi2       float64
	iterations int
	status     Status
}

// descend moves st to a minimum of chi-square: Levenberg–Marquardt with
// Marquardt's scaling, plain Gauss–Newton while that works. damping is the
// first λ; zero for a start close to the minimum. It leaves the undamped
// factorisation at (or within StepTol of) the minimum in s.factor.
//
// Damping follows H. B. Nielsen, Damping parameter in Marquardt's method,
// IMM-REP-1999-05, Technical University of Denmark, 1999.
func (s *Solver) descend(st *state, damping float64, limit int) (d descent) {
	d.status = NotConverged
	if !s.evaluate(st) {
		d.chi2 = math.Inf(1)
		return d
	}
	s.sum = s.next
	d.iterations = 1
	tol := s.rig.options.StepTol * s.rig.options.StepTol
	lambda, grow := damping, 2.0
	settled := false
	var b, step [6]float64
	for {
		u, gauge := s.gauge(st)
		low := s.factor.Decompose(&s.sum, lambda, gauge, &u)
		for i, k := range gradientAt {
			b[i] = -s.sum[k]
		}
		s.factor.Solve(&step, &b)
		slope := 0.0 // −gᵀ·step: with λ = 0 the squared distance in sigmas
		for i := range b {
			slope += b[i] * step[i]
		}
		d.chi2 = s.sum[chiSquare]
		usable := low > minPivot && slope >= 0
		switch {
		case usable && slope < tol && lambda == 0:
			s.move(st, st, &step)
			d.chi2 -= slope
			d.status = Converged
			return d
		case usable && slope < tol:
			// The damped step is short: see what the plain one says.
			lambda, settled = 0, true
			continue
		case !usable && lambda == 0 && settled:
			d.status = Unobservable
			return d
		case !usable:
			lambda = math.Max(lambda*grow, 1e-3)
			grow *= 2
			if lambda > 1e12 {
				d.status = Unobservable
				return d
			}
			continue
		}
		if d.iterations >= limit {
			return d
		}
		d.iterations++
		s.shorten(&step)
		trial := *st
		s.move(&trial, st, &step)
		old := d.chi2
		fall := -1.0
		if s.evaluate(&trial) {
			fall = old - s.next[chiSquare]
		}
		predicted := s.predict(&step, &b)
		rho := fall / predicted
		if fall > 0 && rho > 1e-3 {
			*st = trial
			s.sum = s.next
			grow, settled = 2, false
			switch {
			case rho > 0.7 && lambda < 1e-4:
				lambda = 0
			default:
				t := 2*rho - 1
				lambda *= math.Max(1./8, 1-t*t*t)
				if lambda == 0 && rho < 0.25 {
					lambda = 1e-4
				}
			}
			continue
		}
		if math.Abs(fall) <= 1e-12*old && predicted <= 1e-9*old {
			// Rounding of chi-square hides what is left to gain.
			s.factor.Decompose(&s.sum, 0, gauge, &u)
			d.status = Converged
			return d
		}
		lambda = math.Max(lambda*grow, 1e-3)
		grow *= 2
		if lambda > 1e12 {
			return d
		}
	}
}

// predict returns the fall of chi-square that the quadratic model promises.
func (s *Solver) predict(step, b *[6]float64) float64 {
	linear, square := 0.0, 0.0
	for i := range 6 {
		linear += b[i] * step[i]
		square += s.sum[kernel.At(i, i)] * step[i] * step[i]
		for j := i + 1; j < 6; j++ {
			square += 2 * s.sum[kernel.At(i, j)] * step[i] * step[j]
		}
	}
	return 2*linear - square
}

// gauge returns the free axis in the rig frame and the weight that fixes the
// turn about it; zero for six degrees of freedom. The weight is of the size of
// the rotation block, so that the factorisation stays well scaled; the turn
// itself comes out as zero, for the gradient has no part along it.
func (s *Solver) gauge(st *state) (u vec3, weight float64) {
	if !s.rig.axial {
		return u, 0
	}
	r := matrixOf(st.q)
	return r.apply(&s.rig.axis), s.sum[18] + s.sum[22] + s.sum[25]
}

// shorten keeps a step within what the linearised model can mean.
func (s *Solver) shorten(step *[6]float64) {
	t := math.Sqrt(step[3]*step[3]+step[4]*step[4]+step[5]*step[5]) / maxTurn
	if m := math.Sqrt(step[0]*step[0]+step[1]*step[1]+step[2]*step[2]) / s.rig.reach; m > t {
		t = m
	}
	if t > 1 {
		for i := range step {
			step[i] /= t
		}
	}
}

// move puts st ⊕ step into to.
func (s *Solver) move(to, st *state, step *[6]float64) {
	to.x = vec3{st.x[0] + step[0], st.x[1] + step[1], st.x[2] + step[2]}
	to.q = turn(st.q, step[3], step[4], step[5])
}
