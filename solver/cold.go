package solver

import (
	"math"
	"math/bits"

	"tonepose/solver/internal/kernel"
)

// search is the working memory of a cold start.
type search struct {
	stale  bool         // the variances have changed since plan
	whole  bool         // every emitter is seen by all coils or by none
	seen   []int        // emitters seen by each coil
	noise  []float64    // variances over the coils' areas squared [T²/A²]
	w, wy  []float64    // of one group of coils, see kernel.Score
	scores []kernel.Vec // of all places
	part   []kernel.Vec // of one group of coils
	masks  []uint8      // which scores are low, see kernel.Below
	listed []scored     // places that descents may start from
	all    bool         // listed has had all places
	apart  float64      // see the constant
	found  []minimum    // of the last Cold
}

// scored is a place of the grid with its score.
type scored struct {
	score float64
	place int
}

// minimum is a place where a descent ended.
type minimum struct {
	state  state
	d      descent
	sum    kernel.Sum
	factor kernel.Factor
	inside bool
	place  int // of the grid, from which it was reached
}

func (c *search) init(g *rig) {
	c.stale = true
	c.seen = make([]int, len(g.pickups))
	c.noise = make([]float64, len(g.sources)*len(g.pickups))
	c.w = make([]float64, len(g.sources))
	c.wy = make([]float64, 3*len(g.sources))
	blocks := len(g.grid.field) / (3 * len(g.sources))
	c.scores = make([]kernel.Vec, blocks)
	c.part = make([]kernel.Vec, blocks)
	c.masks = make([]uint8, blocks)
	c.listed = make([]scored, 0, len(g.grid.places))
	c.found = make([]minimum, 0, 8*g.options.Candidates)
}

const (
	// gridError is the relative error of a field that the grid's spacing makes,
	// which weighs the couplings when places are judged: strong couplings near
	// an emitter must not drown the others.
	gridError = 0.2
	// scoreReach: places with a score up to this many times the best, plus one,
	// are worth a descent; with little redundancy, where false places fit
	// nearly as well, up to scoreReachLean times.
	scoreReach     = 3
	scoreReachLean = 10
	// Descents start from places farther apart than this many times the sum of
	// their cells' sides.
	apart     = 0.9
	apartLean = 0.6
	apartLast = 0.4 // when nothing else has led to a fit
	// lean is the largest surplus of couplings over unknowns that counts as
	// little redundancy.
	lean = 2
	// With a surplus of rich couplings, a minimum that enough places lead to is
	// taken for the lowest even if the noise does not explain it.
	rich, enough = 10, 4
	// softest is the first softness of a descent that failed without.
	softest = 0.1
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
	w := &s.search
	w.found = w.found[:0]
	best, hits := -1, 0
	reach, limit := float64(scoreReach), s.rig.options.Candidates
	w.apart = apart
	if s.used-s.Freedom() <= lean {
		reach, limit, w.apart = scoreReachLean, 4*limit, apartLean
	}
	s.list(reach * (kernel.Least(w.scores) + 1))
	for k := 0; k < limit; k++ {
		place := s.bestPlace()
		if place < 0 && best >= 0 && k < cap(w.found) && !w.all && s.implausible(w.found[best].d.chi2) {
			w.apart = apartLast
			s.list(math.Inf(1))
			place = s.bestPlace()
		}
		if place < 0 {
			break
		}
		w.found = w.found[:len(w.found)+1]
		m := &w.found[len(w.found)-1]
		m.place = place
		if !s.orient(&m.state, place) {
			w.found = w.found[:len(w.found)-1]
			continue
		}
		start := m.state
		s.follow(m, 0)
		if (m.d.status != Converged || s.implausible(m.d.chi2)) && (best < 0 || s.implausible(w.found[best].d.chi2)) {
			soft := minimum{state: start, place: place}
			s.follow(&soft, softest)
			if s.better(&soft, m) {
				*m = soft
			}
		}
		switch {
		case best < 0 || s.better(m, &w.found[best]) && !s.sameMinimum(m, &w.found[best]):
			best, hits = len(w.found)-1, 1
		case s.sameMinimum(m, &w.found[best]):
			hits++
		}
		if hits >= enough && s.used-s.Freedom() >= rich {
			break // couplings that no pose explains
		}
		if k == limit-1 && s.implausible(w.found[best].d.chi2) {
			limit = cap(w.found)
		}
	}
	found := w.found
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

// follow descends from m.state and fills m. With softness above zero the
// descent first sees every coupling with an added error of that share of the
// largest it can be at the start, then with less and less: a strong coupling,
// known to a millionth, otherwise confines the steps to a narrow curved valley.
func (s *Solver) follow(m *minimum, softness float64) {
	damping, n := 1e-2, 0
	for ; softness > 1e-6; softness *= 0.1 {
		s.soften(m.place, softness)
		d := s.descend(&m.state, damping, s.rig.options.MaxIterations/2)
		n += d.iterations
		damping = 0
	}
	if n > 0 {
		s.soften(m.place, 0)
	}
	m.d = s.fit(&m.state, damping, s.rig.options.MaxIterations)
	m.d.iterations += n
	m.sum, m.factor = s.sum, s.factor
	p := s.rig.poseOf(&m.state).Position
	m.inside = s.rig.inside(&vec3{p.X, p.Y, p.Z})
}

// soften adds share of the field at a place times a coil's area to the standard
// deviation of its couplings; a share of 0 restores them.
func (s *Solver) soften(place int, share float64) {
	g, coils := s.rig.grid, len(s.rig.pickups)
	field := g.field[place/kernel.Lanes*len(s.rig.sources)*3:]
	l := place % kernel.Lanes
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

// better reports whether minimum a is to be preferred over b: by chi-square,
// where one outside the volume or not converged must fit better by more than
// what counts as ambiguous.
func (s *Solver) better(a, b *minimum) bool {
	return s.cost(a) < s.cost(b)
}

func (s *Solver) cost(m *minimum) float64 {
	handicap := -2 * math.Log(s.rig.options.AmbiguityRatio)
	c := m.d.chi2 + m.d.logDet
	if !m.inside {
		c += handicap
	}
	if m.d.status != Converged {
		c += handicap
	}
	return c
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
		ratio := math.Exp(math.Min(0, (b.d.chi2+b.d.logDet-m.d.chi2-m.d.logDet)/2))
		if ratio > r.RunnerUp.Ratio {
			st := m.state
			if s.rig.axial {
				s.settle(&st)
			}
			r.RunnerUp = RunnerUp{s.rig.poseOf(&st), ratio}
		}
	}
	r.Ambiguous = r.RunnerUp.Ratio >= s.rig.options.AmbiguityRatio
}

// sameMinimum reports whether two descents ended in one place: nearer than a
// tenth of a standard deviation, or than rounding can tell apart.
func (s *Solver) sameMinimum(a, b *minimum) bool {
	ra, rb := &a.state.r, &b.state.r
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
	square := quadratic(&b.sum, &step)
	if square < 0.01 {
		return true
	}
	d := vec3{step[0], step[1], step[2]}
	t := vec3{step[3], step[4], step[5]}
	return norm(&d) < 1e-6*s.rig.reach && norm(&t) < 1e-6
}

// list gathers the places with scores up to limit that lie apart from the
// places used.
func (s *Solver) list(limit float64) {
	w, g := &s.search, s.rig.grid
	w.all = math.IsInf(limit, 1)
	kernel.Below(w.masks, w.scores, limit)
	w.listed = w.listed[:0]
	for i, m := range w.masks {
		for ; m != 0; m &= m - 1 {
			l := bits.TrailingZeros8(m)
			if k := i*kernel.Lanes + l; k < len(g.places) {
				w.listed = append(w.listed, scored{w.scores[i][l], k})
			}
		}
	}
	for i := range w.found {
		s.strike(w.found[i].place)
	}
}

// bestPlace returns the listed place with the lowest score and takes it and its
// neighbours off the list; −1 when none is left.
func (s *Solver) bestPlace() int {
	best, at := math.Inf(1), -1
	for i := range s.search.listed {
		if v := &s.search.listed[i]; v.score < best {
			best, at = v.score, v.place
		}
	}
	if at >= 0 {
		s.strike(at)
	}
	return at
}

// strike takes a place and its neighbours off the list.
func (s *Solver) strike(place int) {
	g := s.rig.grid
	p, h := &g.places[place], g.size[place]
	kept := s.search.listed[:0]
	for _, v := range s.search.listed {
		q := &g.places[v.place]
		d := vec3{p[0] - q[0], p[1] - q[1], p[2] - q[2]}
		if r := s.search.apart * (h + g.size[v.place]); dot(&d, &d) >= r*r {
			kept = append(kept, v)
		}
	}
	s.search.listed = kept
}
