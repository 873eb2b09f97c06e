package solver

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver/internal/kernel"
)

// minimum is where a descent ended.
type minimum struct {
	state  state
	d      descent
	sum    kernel.Sum
	factor kernel.Factor
	inside bool
	again  bool // ended near the best of those before, or never began
	cell   int  // of the grid, from which it was reached
}

// near reports whether st is close to the best minimum found before: within s.radius
// and about a seventh of a radian.
func (s *Solver) near(st *state) bool {
	best := s.best
	if best == nil || r3.Norm2(r3.Sub(st.Origin, best.Origin)) > s.radius*s.radius {
		return false
	}
	if s.rig.axial {
		return r3.Dot(st.Out(s.rig.axis), best.Out(s.rig.axis)) > 0.99
	}
	trace := 0.0
	for i := range 3 {
		a, b := &st.R[i], &best.R[i]
		trace += a[0]*b[0] + a[1]*b[1] + a[2]*b[2]
	}
	return trace > 3-0.02
}

// follow descends from m.state and fills m. With softness above zero the
// descent first sees every coupling with an added error of that share of the
// largest it can be at the start, then with less and less: a strong coupling,
// known to a millionth, otherwise confines the steps to a narrow curved valley.
func (s *Solver) follow(m *minimum, softness float64) {
	damping, n := 1e-3, 0
	for ; softness > 1e-6; softness *= 0.1 {
		s.soften(m.cell, softness)
		d := s.descend(&m.state, damping, s.rig.options.MaxIterations/2)
		n += d.iterations
		damping = 0
	}
	if n > 0 {
		s.soften(m.cell, 0)
	}
	m.d = s.fit(&m.state, damping, s.rig.options.MaxIterations)
	m.d.iterations += n
	m.sum, m.factor = *s.sum, s.factor
	m.inside = s.rig.inside(s.rig.poseOf(&m.state).Position)
}

// soften adds share of the field at the centre of a cell times a coil's area to the standard
// deviation of its couplings; a share of 0 restores them.
func (s *Solver) soften(cell int, share float64) {
	g, coils := s.rig.grid, len(s.rig.pickups)
	field := g.field[cell/kernel.Lanes*len(s.rig.sources)*3:]
	l := cell % kernel.Lanes
	for e := range s.rig.sources {
		x, y, z := field[3*e][l], field[3*e+1][l], field[3*e+2][l]
		b2 := share * share * (x*x + y*y + z*z)
		for c := range coils {
			v := s.variances[e*coils+c]
			a := s.rig.pickups[c].area
			s.data[e/kernel.Lanes*coils+c][1][e%kernel.Lanes] = 1 / math.Sqrt(v+b2*a*a)
		}
	}
}

// cost is what minima are compared by: chi-square, and for one outside the volume or
// not converged as much more as counts as ambiguous.
func (s *Solver) cost(m *minimum) float64 {
	c := m.d.chi2 + m.d.logDet
	if !m.inside {
		c += handicap
	}
	if m.d.status != Converged {
		c += handicap
	}
	return c
}

// unlikely reports whether chi-square lies further above what noise leaves than
// so many standard deviations of a normal quantity (Wilson and Hilferty's
// approximation, Abramowitz and Stegun, 26.4.14).
func (s *Solver) unlikely(chi2, sigmas float64) bool {
	n := float64(s.used - s.Freedom())
	if n == 0 {
		return false
	}
	t := 1 - 2/(9*n) + sigmas*math.Sqrt(2/(9*n))
	return chi2 > n*t*t*t
}

// runnerUp looks for the most likely other minimum inside the volume.
func (s *Solver) runnerUp(r *Result, found []minimum, best int) {
	b := &found[best]
	for i := range found {
		m := &found[i]
		if i == best || m.again || !m.inside || m.d.status != Converged || s.sameMinimum(m, b) {
			continue
		}
		ratio := math.Exp(math.Min(0, (b.d.chi2+b.d.logDet-m.d.chi2-m.d.logDet)/2))
		if ratio > r.RunnerUp.Ratio {
			st := m.state
			if s.rig.axial {
				s.smallestRotation(&st)
			}
			r.RunnerUp = RunnerUp{s.rig.poseOf(&st), ratio}
		}
	}
	r.Ambiguous = r.RunnerUp.Ratio >= ambiguityRatio
}

// sameMinimum reports whether two descents ended at the same minimum.
func (s *Solver) sameMinimum(a, b *minimum) bool { return s.same(&a.state, &b.state, &b.sum) }

// same reports whether two states are nearer than a tenth of a standard deviation, as
// the normal sums at b have it, or than rounding can tell apart.
func (s *Solver) same(a, b *state, sum *kernel.Sum) bool {
	step, trace := a.since(b)
	apart := trace < 1
	if s.rig.axial {
		ua, ub := a.Out(s.rig.axis), b.Out(s.rig.axis)
		t := r3.Cross(ub, ua)
		step[3], step[4], step[5] = t.X, t.Y, t.Z
		apart = r3.Dot(ua, ub) < 0
	}
	if apart {
		return false
	}
	if quadratic(sum, &step) < 0.01 {
		return true
	}
	d, t := vector([3]float64(step[:3])), vector([3]float64(step[3:]))
	return r3.Norm(d) < 1e-6*s.rig.reach && r3.Norm(t) < 1e-6
}
