package solver

import (
	"math"

	"tonepose/solver/internal/kernel"
)

// search is the working memory of a cold start.
type search struct {
	stale   bool // the variances have changed since plan
	whole   bool // every emitter is seen by all coils or by none
	noise   []float64
	weights []float64 // [coil·emitters + emitter]; only the first coil's when whole
	wy      []float64
	w       []float64
	scores  []kernel.Vec
	part    []kernel.Vec // scores of one coil
	found   []minimum    // of the last Cold
}

// minimum is a place where a descent ended.
type minimum struct {
	state  state
	d      descent
	sum    kernel.Sum
	factor kernel.Factor
	inside bool
}

func (c *search) init(g *rig) {
	n := len(g.sources) * len(g.pickups)
	c.stale = true
	c.noise = make([]float64, n)
	c.wy = make([]float64, n)
	c.w = make([]float64, len(g.sources))
	blocks := len(g.grid.field) / (3 * len(g.sources))
	c.scores = make([]kernel.Vec, blocks)
	c.part = make([]kernel.Vec, blocks)
	c.found = make([]minimum, 0, 4*g.options.Candidates)
}

const (
	// gridError is the relative error of a field that the grid's spacing makes,
	// which weighs the couplings when places are judged: strong couplings near
	// an emitter must not drown the others.
	gridError = 0.2
	// scoreReach: places with a score up to this many times the best are worth
	// a descent.
	scoreReach = 3
)

// Cold solves without any start: at every place of a grid over the working
// volume the couplings are linear in the coils' axes, so that the best
// orientation and its misfit follow from one small linear system; descents
// start from the best distinct places, and the lowest minimum wins. Couplings
// of another shape than the problem's panic.
func (s *Solver) Cold(c Couplings) Result {
	r, ok := s.load(c)
	if !ok {
		return r
	}
	s.judge(c.Value)
	found := s.search.found[:0]
	defer func() { s.search.found = found }()
	limit := s.rig.options.Candidates
	first := math.Inf(1)
	best := -1
	for k := 0; k < limit; k++ {
		place, score := s.bestPlace()
		if place < 0 {
			break
		}
		if k == 0 {
			first = score
		} else if score > scoreReach*first+scoreReach && best >= 0 && !s.implausible(found[best].d.chi2) {
			break
		}
		m := minimum{}
		if !s.orient(&m.state, place) {
			continue
		}
		m.d = s.descend(&m.state, 1e-2, s.rig.options.MaxIterations)
		m.sum, m.factor = s.sum, s.factor
		p := s.rig.poseOf(&m.state).Position
		m.inside = s.rig.inside(&vec3{p.X, p.Y, p.Z})
		found = append(found, m)
		if best < 0 || s.better(&m, &found[best]) {
			best = len(found) - 1
		}
		if k == s.rig.options.Candidates-1 && s.implausible(found[best].d.chi2) {
			limit = cap(found)
		}
	}
	if best < 0 {
		r.Status = NotConverged
		r.DOF = s.used - s.Freedom()
		return r
	}
	m := &found[best]
	s.sum, s.factor = m.sum, m.factor
	st := m.state
	s.finish(&r, &st, &m.d)
	s.runnerUp(&r, found, best)
	return r
}

// better reports whether minimum a is to be preferred over b: converged before
// not, then by chi-square. A minimum outside the volume must fit better by more
// than what counts as ambiguous.
func (s *Solver) better(a, b *minimum) bool {
	if (a.d.status == Converged) != (b.d.status == Converged) {
		return a.d.status == Converged
	}
	handicap := -2 * math.Log(s.rig.options.AmbiguityRatio)
	ca, cb := a.d.chi2, b.d.chi2
	if !a.inside {
		ca += handicap
	}
	if !b.inside {
		cb += handicap
	}
	return ca < cb
}

// implausible reports whether noise would leave such a chi-square less often
// than once in two thousand solves (Wilson–Hilferty approximation at 3.3 sigma).
func (s *Solver) implausible(chi2 float64) bool {
	n := float64(s.used - s.Freedom())
	if n == 0 {
		return false
	}
	t := 1 - 2/(9*n) + 3.3*math.Sqrt(2/(9*n))
	return chi2 > n*t*t*t
}

// runnerUp looks for the most likely other minimum inside the volume.
func (s *Solver) runnerUp(r *Result, found []minimum, best int) {
	b := &found[best]
	for i := range found {
		m := &found[i]
		if i == best || !m.inside || m.d.status != Converged || s.sameMinimum(m, b) {
			continue
		}
		ratio := math.Exp(math.Min(0, (b.d.chi2-m.d.chi2)/2))
		if ratio > r.RunnerUp.Ratio {
			st := m.state
			if s.rig.axial {
				st.q = s.smallest(st.q)
			}
			r.RunnerUp = RunnerUp{s.rig.poseOf(&st), ratio}
		}
	}
	r.Ambiguous = r.RunnerUp.Ratio >= s.rig.options.AmbiguityRatio
}

// sameMinimum reports whether two descents ended in one place: nearer than a
// tenth of a standard deviation, or than rounding can tell apart.
func (s *Solver) sameMinimum(a, b *minimum) bool {
	ra, rb := matrixOf(a.state.q), matrixOf(b.state.q)
	var step [6]float64
	for i := range 3 {
		step[i] = a.state.x[i] - b.state.x[i]
	}
	if s.rig.axial {
		ua, ub := ra.apply(&s.rig.axis), rb.apply(&s.rig.axis)
		t := cross(&ub, &ua)
		step[3], step[4], step[5] = t[0], t[1], t[2]
		if dot(&ua, &ub) < 0 {
			return false
		}
	} else {
		// Half the antisymmetric part of Ra·Rbᵀ is sin(angle) times the axis.
		trace := 0.0
		for i := range 3 {
			for j := range 3 {
				trace += ra[3*i+j] * rb[3*i+j]
			}
			j, k := (i+1)%3, (i+2)%3
			for n := range 3 {
				step[3+i] += (ra[3*k+n]*rb[3*j+n] - ra[3*j+n]*rb[3*k+n]) / 2
			}
		}
		if trace < 1 {
			return false
		}
	}
	square := 0.0
	for i := range 6 {
		square += b.sum[kernel.At(i, i)] * step[i] * step[i]
		for j := i + 1; j < 6; j++ {
			square += 2 * b.sum[kernel.At(i, j)] * step[i] * step[j]
		}
	}
	if square < 0.01 {
		return true
	}
	d := vec3{step[0], step[1], step[2]}
	t := vec3{step[3], step[4], step[5]}
	return norm(&d) < 1e-6*s.rig.reach && norm(&t) < 1e-6
}

// bestPlace returns the place with the lowest score and that score, and takes
// it and its neighbours off the list; −1 when none is left.
func (s *Solver) bestPlace() (int, float64) {
	g := s.rig.grid
	best, at := math.Inf(1), -1
	for i := range g.places {
		if v := s.search.scores[i/kernel.Lanes][i%kernel.Lanes]; v < best {
			best, at = v, i
		}
	}
	if at < 0 {
		return at, best
	}
	p, h := &g.places[at], g.size[at]
	for i := range g.places {
		q := &g.places[i]
		d := vec3{p[0] - q[0], p[1] - q[1], p[2] - q[2]}
		if r := 0.9 * (h + g.size[i]); dot(&d, &d) < r*r {
			s.search.scores[i/kernel.Lanes][i%kernel.Lanes] = math.Inf(1)
		}
	}
	return at, best
}
