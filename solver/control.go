package solver

import "math"

const (
	// leastDamping is the smallest λ that the factorisation can tell from none.
	leastDamping = 1e-13
	// maxDamping ends a descent: steps of no length do not help either.
	maxDamping = 1e12
	// good is the share of the promised fall of chi-square from which on a step
	// counts as one in a nearly quadratic valley.
	good = 0.75
)

// control steers the damping λ of a descent.
//
// It follows H. B. Nielsen, Damping parameter in Marquardt's method,
// IMM-REP-1999-05, Technical University of Denmark, 1999 (compared with a public copy),
// but for the way down to plain steps and back: λ is dropped after a good step,
// and a plain step that fails is damped by the flatness of the valley along it. He lets
// λ fall to a third at a time; here it falls to an eighth, to be sooner among plain steps.
type control struct {
	lambda, grow float64
	free         float64 // λ at or below which a good step drops it
	short        bool    // damped steps have become short where we are
	before       float64 // squared length [sigmas²] of the plain step just taken; +Inf after another
	plain        float64 // of the last plain step tried
	relax        relaxation
}

// begin begins a descent with a damping.
func (c *control) begin(lambda float64) {
	c.lambda, c.grow, c.free = lambda, 2, 1e-2
	c.before, c.plain = math.Inf(1), math.Inf(1)
}

// note remembers a step about to be tried, of squared length slope before it was
// stretched.
func (c *control) note(step *[6]float64, slope, stretch float64) {
	c.before = math.Inf(1)
	if c.lambda == 0 {
		c.before, c.plain = slope, slope
		// One by one: a copy of the whole would wait for the step just stored.
		r := &c.relax
		r.step[0], r.step[1], r.step[2], r.step[3], r.step[4], r.step[5] = step[0], step[1], step[2], step[3], step[4], step[5]
		r.taken, r.square = stretch, slope*stretch*stretch
	}
}

// accept takes note of a step that lowered chi-square by rho of what the
// quadratic model promised.
func (c *control) accept(rho, flatness float64) {
	c.grow, c.short = 2, false
	if rho < good {
		c.before = math.Inf(1)
	}
	switch {
	case rho >= good && c.lambda <= c.free:
		c.lambda = 0
	case c.lambda == 0 && rho < 0.25:
		c.lambda = flatness
	default:
		t := 2*rho - 1
		c.lambda *= max(1./8, 1-t*t*t)
	}
}

// raise makes the next step shorter after one that failed; first is the λ to
// begin with.
func (c *control) raise(first float64) {
	c.before = math.Inf(1)
	if c.lambda == 0 {
		c.lambda, c.free = first, first/8
		return
	}
	c.lambda *= c.grow
	c.grow *= 2
}

// stretch returns the factor for a plain step after so many iterations.
func (c *control) stretch(b *[6]float64, iterations int) float64 {
	if c.lambda == 0 && iterations > patience && c.before < math.Inf(1) {
		return c.relax.factor(b)
	}
	return 1
}

// last reports whether the step after one of squared length slope (in sigmas)
// would be below tol: lengths fall at least as they did from the step before,
// Gauss–Newton's rate. before is +Inf or 0 where that step was not a plain one.
func last(slope, before, tol float64) bool {
	return slope < stale && slope*slope < tol*before && slope < 0.1*before && before < math.Inf(1)
}

// patience is the number of iterations after which steps that fall slowly are
// stretched.
const patience = 4

// relaxation remembers a plain step. Where the curvature of the model along a
// weak direction is as large as its noise, Gauss–Newton leaves a share ρ of the
// error after each step, instead of next to none; the share shows in the next
// step and, as in Aitken's extrapolation, 1/(1−ρ) times that step goes all the
// way.
type relaxation struct {
	step   [6]float64
	taken  float64 // by which the plain step was stretched
	square float64 // stepᵀH step
}

// factor returns the stretch of the next plain step, b the negative gradient
// there.
func (r *relaxation) factor(b *[6]float64) float64 {
	along := 0.0
	for i := range b {
		along += b[i] * r.step[i]
	}
	share := 1 - 1/r.taken + along/r.square
	if math.Abs(share) < 0.15 {
		return 1
	}
	return min(max(1/(1-min(share, 0.95)), 0.3), 10)
}
