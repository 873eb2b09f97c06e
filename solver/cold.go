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
	apart  float64      // see effort
	watch  watched
	found  []minimum // of the last Cold
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
	again  bool // ended near the best of those before
	place  int  // of the grid, from which it was reached
}

func (c *search) init(g *rig) {
	c.stale = true
	if g.axial {
		c.watch.axial = &g.axis
	}
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
	// lean is the largest surplus of couplings over unknowns that counts as
	// little redundancy: false places then fit nearly as well as the true one.
	lean = 2
	// implausible, in the terms of unlikely: once in two thousand solves.
	implausible = 3.3
	// With a surplus of rich couplings, a minimum that enough places lead to is
	// taken for the lowest even if the noise does not explain it.
	rich, enough = 10, 4
	// softest is the first softness of a descent that failed without.
	softest = 0.1
)

// effort says how far a cold start searches.
type effort struct {
	sigmas   float64 // it is made when the best fit so far is that unlikely
	reach    float64 // places with scores up to this many times the best, plus one, are listed
	apart    float64 // descents start farther apart than so many times the sum of their cells' sides
	descents int     // at most so many times Options.Candidates
}

var (
	efforts = [...]effort{
		{0, 3, 0.9, 1},
		{2.6, 10, 0.5, 4},
		{implausible, math.Inf(1), 0.4, 8},
	}
	leanEffort = effort{0, 10, 0.6, 4}
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
	best, hits, stage := -1, 0, 0
	effort := &efforts[0]
	if s.used-s.Freedom() <= lean {
		effort = &leanEffort
	}
	w.apart = effort.apart
	least := kernel.Least(w.scores)
	s.list(effort.reach * (least + 1))
	limit := effort.descents * s.rig.options.Candidates
	for {
		place := -1
		if len(w.found) < limit {
			place = s.bestPlace()
		}
		if place < 0 {
			// Done, unless what was found fits less well than it should.
			for stage++; stage < len(efforts); stage++ {
				if e := &efforts[stage]; best < 0 || s.unlikely(w.found[best].d.chi2, e.sigmas) {
					effort = e
					break
				}
			}
			if stage >= len(efforts) {
				break
			}
			w.apart, limit = effort.apart, effort.descents*s.rig.options.Candidates
			s.list(effort.reach * (least + 1))
			continue
		}
		w.found = w.found[:len(w.found)+1]
		m := &w.found[len(w.found)-1]
		m.place = place
		if !s.orient(&m.state, place) {
			m.again = true // nothing to find here
			continue
		}
		start := m.state
		if best >= 0 {
			w.watch.state = &w.found[best].state
			w.watch.radius = 0.1 * s.rig.grid.size[w.found[best].place]
			s.watch = &w.watch
		}
		s.follow(m, 0)
		s.watch = nil
		m.again = best >= 0 && w.watch.near(&m.state)
		poor := best < 0 || s.unlikely(w.found[best].d.chi2, implausible)
		if poor && (m.again || m.d.status != Converged || s.unlikely(m.d.chi2, implausible)) {
			soft := minimum{state: start, place: place}
			s.follow(&soft, softest)
			if m.again || s.better(&soft, m) {
				soft.again = best >= 0 && w.watch.near(&soft.state)
				*m = soft
			}
		}
		switch {
		case m.again:
			hits++
		case best < 0 || s.better(m, &w.found[best]):
			best, hits = len(w.found)-1, 1
		}
		if hits >= enough && s.used-s.Freedom() >= rich {
			break // couplings that no pose explains
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
	damping, n := 1e-3, 0
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
