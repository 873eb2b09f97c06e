package solver

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/kernel"
)

// minPivot is the smallest pivot over its diagonal that counts as observable:
// a parameter whose squared multiple correlation with others is nearer to one
// is lost in the rounding of the normal matrix, about 1e-16 times the condition.
const minPivot = 1e-12

// maxTurn bounds the rotation of one step [rad]: beyond it the linearised
// rotation says nothing.
const maxTurn = 0.6

// stale bounds, in squared standard deviations, the last step that a descent
// takes without looking again: chi-square and covariance then come from the
// point before it.
const stale = 0.005

// descent is what a descent leaves beside s.sum and s.factor.
type descent struct {
	chi2       float64
	logDet     float64 // of the couplings' covariance; 0 when it is that of the observation
	iterations int
	status     Status
}

// descend moves st to a minimum of chi-square: Levenberg–Marquardt with
// Marquardt's scaling, plain Gauss–Newton while that works. lambda is the first
// damping; zero for a start close to the minimum. It leaves the undamped
// factorisation at (or within one last short step of) the minimum in s.factor.
func (s *Solver) descend(st *state, lambda float64, limit int) (d descent) {
	d.status = NotConverged
	if !s.evaluate(st) {
		d.chi2 = math.Inf(1)
		return d
	}
	s.sum, s.next = s.next, s.sum
	d.iterations = 1
	tol := s.rig.options.StepTol * s.rig.options.StepTol
	var c control
	c.begin(lambda)
	var b, step [6]float64
	var trial state
	for c.lambda <= maxDamping {
		gauge := s.gauge(st)
		low := s.factor.Decompose(s.sum, c.lambda, gauge)
		for i, k := range gradientAt {
			b[i] = -s.sum[k]
		}
		s.factor.Solve(&step, &b)
		slope := b[0]*step[0] + b[1]*step[1] + b[2]*step[2] + b[3]*step[3] + b[4]*step[4] + b[5]*step[5]
		d.chi2 = s.sum[chiSquare]
		if !(low > minPivot && slope >= 0) {
			if c.lambda == 0 && c.short {
				d.status = Unobservable
				return d
			}
			c.raise(leastDamping)
			continue
		}
		stretch := c.stretch(&b, d.iterations)
		switch {
		case c.lambda == 0 && (slope*stretch*stretch < tol || last(slope, c.before, tol)):
			s.move(st, st, &step)
			d.chi2 -= slope
			d.status = Converged
			return d
		case slope < tol && c.lambda != 0:
			// The damped step is short: see what the plain one says. Where that
			// has been tried, was short too and did not lower chi-square, the
			// model is too curved for it and this is the minimum.
			if c.short && c.plain < stale {
				d.status = s.conclude(gauge)
				return d
			}
			c.lambda, c.short = 0, true
			continue
		}
		if d.iterations >= limit {
			return d
		}
		d.iterations++
		predicted := slope
		if stretch != 1 {
			for i := range step {
				step[i] *= stretch
			}
		}
		if s.shorten(&step) || c.lambda != 0 || stretch != 1 {
			predicted = s.predict(&step, &b)
		}
		c.note(&step, slope, stretch)
		s.move(&trial, st, &step)
		fall := -1.0
		if s.evaluate(&trial) {
			fall = d.chi2 - s.next[chiSquare]
		}
		rho := fall / predicted
		if stretch != 1 && fall > 0 {
			rho = 1 // a stretched step goes beyond what the model promises
		}
		flatness := 0.0
		if c.lambda == 0 && rho < good {
			flatness = s.flatness(&step)
		}
		if fall > 0 && rho > 1e-3 {
			*st = trial
			s.sum, s.next = s.next, s.sum
			if s.best != nil && s.near(st) {
				d.chi2 = s.sum[chiSquare]
				return d
			}
			c.accept(rho, flatness)
			continue
		}
		if math.Abs(fall) <= 1e-12*d.chi2 && predicted <= 1e-9*d.chi2 {
			// Rounding of chi-square hides what is left to gain.
			d.status = s.conclude(gauge)
			return d
		}
		c.raise(flatness)
	}
	return d
}

// conclude leaves the plain factorisation of s.sum.
func (s *Solver) conclude(gauge kernel.Gauge) Status {
	if s.factor.Decompose(s.sum, 0, gauge) > minPivot {
		return Converged
	}
	return Unobservable
}

// predict returns the fall of chi-square that the quadratic model promises,
// b being the negative gradient.
func (s *Solver) predict(step, b *[6]float64) float64 {
	linear := 0.0
	for i := range 6 {
		linear += b[i] * step[i]
	}
	return 2*linear - quadratic(s.sum, step)
}

// flatness returns how flat the normal matrix is along a step against its
// diagonal: stepᵀH step/Σ H_ii step_i². Damping of this size about halves the
// step; in a narrow valley it is many orders below one.
func (s *Solver) flatness(step *[6]float64) float64 {
	sum := 0.0
	for i := range 6 {
		sum += s.sum[kernel.At(i, i)] * step[i] * step[i]
	}
	return max(quadratic(s.sum, step)/sum, leastDamping)
}

// quadratic returns stepᵀ H step.
func quadratic(sum *kernel.Sum, step *[6]float64) float64 {
	a, b, c, d, e, f := step[0], step[1], step[2], step[3], step[4], step[5]
	above := a*(sum[1]*b+sum[2]*c+sum[3]*d+sum[4]*e+sum[5]*f) +
		b*(sum[8]*c+sum[9]*d+sum[10]*e+sum[11]*f) +
		c*(sum[14]*d+sum[15]*e+sum[16]*f) +
		d*(sum[19]*e+sum[20]*f) + e*(sum[23]*f)
	diagonal := sum[0]*a*a + sum[7]*b*b + sum[13]*c*c + sum[18]*d*d + sum[22]*e*e + sum[25]*f*f
	return 2*above + diagonal
}

// gauge fixes the rotation about the sensor's blind axis, where there is one. The weight
// is of the size of the rotation block, so that the factorisation stays well scaled; that
// rotation itself comes out as zero, for the gradient has no part along it.
func (s *Solver) gauge(st *state) (g kernel.Gauge) {
	if s.rig.axial {
		g.Axis, g.Weight = st.Out(s.rig.axis), s.sum[18]+s.sum[22]+s.sum[25]
	}
	return g
}

// shorten keeps a step within what the linearised model can mean, and reports
// whether it had to.
func (s *Solver) shorten(step *[6]float64) bool {
	t2 := (step[3]*step[3] + step[4]*step[4] + step[5]*step[5]) * (1 / (maxTurn * maxTurn))
	if m2 := (step[0]*step[0] + step[1]*step[1] + step[2]*step[2]) * s.rig.stride; m2 > t2 {
		t2 = m2
	}
	if !(t2 > 1) {
		return false
	}
	t := 1 / math.Sqrt(t2)
	for i := range step {
		step[i] *= t
	}
	return true
}

// move writes st ⊕ step into to.
func (s *Solver) move(to, st *state, step *[6]float64) {
	to.Origin = r3.Vec{X: st.Origin.X + step[0], Y: st.Origin.Y + step[1], Z: st.Origin.Z + step[2]}
	rotate(&to.q, &st.q, step[3], step[4], step[5])
	rigid.SetMatrix(&to.R, to.q)
}

// rotate writes exp(δ/2)·q, of unit length again, into to.
func rotate(to, q *quat.Number, dx, dy, dz float64) {
	h2 := ((dx*dx + dy*dy) + dz*dz) / 4
	var c, s float64 // cos(|δ|/2) and sin(|δ|/2)/|δ|
	if h2 < 0.1 {    // every step of a descent; the next terms are below 1e-17
		h4 := h2 * h2
		h8 := h4 * h4
		c = ((1 - h2*(1./2)) + h4*(1./24-h2*(1./720))) + h8*((1./40320-h2*(1./3628800))+h4*(1./479001600))
		s = ((1./2 - h2*(1./12)) + h4*(1./240-h2*(1./10080))) + h8*((1./725760-h2*(1./79833600))+h4*(1./12454041600))
	} else {
		h := math.Sqrt(h2)
		c = math.Cos(h)
		s = 0.5 * math.Sin(h) / h
	}
	// One Newton step towards unit length for q, which is off by rounding only: the
	// product then is so by its own, and nobody waits for it.
	n := 1.5 - 0.5*((q.Real*q.Real+q.Imag*q.Imag)+(q.Jmag*q.Jmag+q.Kmag*q.Kmag))
	qw, qx, qy, qz := q.Real*n, q.Imag*n, q.Jmag*n, q.Kmag*n
	ex, ey, ez := s*dx, s*dy, s*dz
	to.Real = (c*qw - ex*qx) - (ey*qy + ez*qz)
	to.Imag = (c*qx + ex*qw) + (ey*qz - ez*qy)
	to.Jmag = (c*qy + ey*qw) + (ez*qx - ex*qz)
	to.Kmag = (c*qz + ez*qw) + (ex*qy - ey*qx)
}
