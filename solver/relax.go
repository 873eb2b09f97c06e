package solver

import "math"

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

// watched is a minimum found already: a descent that comes near it ends there.
type watched struct {
	state  *state
	radius float64 // [m]
	axial  *vec3   // the coils' axis if they have one only
}

// near reports whether st is within the radius and about a seventh of a radian.
func (w *watched) near(st *state) bool {
	a, b := st, w.state
	d := vec3{a.x[0] - b.x[0], a.x[1] - b.x[1], a.x[2] - b.x[2]}
	if dot(&d, &d) > w.radius*w.radius {
		return false
	}
	if w.axial != nil {
		u, v := a.r.apply(w.axial), b.r.apply(w.axial)
		return dot(&u, &v) > 0.99
	}
	trace := 0.0
	for i := range a.r {
		trace += a.r[i] * b.r[i]
	}
	return trace > 3-0.02
}
