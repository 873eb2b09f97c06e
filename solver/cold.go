package solver

import (
	"math"

	"tonepose/solver/internal/kernel"
)

// search is the working memory of a cold start.
type search struct {
	stale  bool         // the variances have changed since plan
	whole  bool         // every emitter is seen by all coils or by none
	seen   []int        // emitters seen by each coil
	noise  []float64    // variances over the coils' areas squared [T²/A²]
	w, wy  []float64    // of one group of coils, see kernel.Score
	scores []kernel.Vec // of all cells
	part   []kernel.Vec // of one group of coils
	masks  []uint8      // which scores are low, see kernel.Below
	listed []scored     // cells that descents may start from
	apart  float64      // see effort
	found  []minimum    // of the last Cold
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
	c.listed = make([]scored, 0, len(g.grid.centers))
	c.found = make([]minimum, 0, 8*g.options.Candidates)
}

const (
	// gridError is the relative error of a field that the grid's spacing makes,
	// which weighs the couplings when cells are judged: strong couplings near
	// an emitter must not drown the others.
	gridError = 0.2
	// lean is the largest surplus of couplings over unknowns that counts as
	// little redundancy: false cells then fit nearly as well as the true one.
	lean = 2
	// implausible, in the terms of unlikely: once in two thousand solves.
	implausible = 3.3
	// With a surplus of rich couplings, a minimum that enough cells lead to is
	// taken for the lowest even if the noise does not explain it.
	rich, enough = 10, 4
	// softest is the first softness of a descent that failed without.
	softest = 0.1
)

// effort says how far a cold start searches.
type effort struct {
	sigmas   float64 // it is made when the best fit so far is that unlikely
	reach    float64 // cells with scores up to this many times the best, plus one, are listed
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

// Cold solves without any start: at the centre of every cell of a grid over the working
// volume the couplings are linear in the coils' axes, so that the best
// orientation and its misfit follow from one small linear system; descents
// start from the best distinct cells, and the lowest minimum wins. Where the array has a
// symmetry, the twin of that pose is looked at too. Couplings
// of another shape than the problem's panic.
func (s *Solver) Cold(c Couplings) (r Result) {
	if !s.load(&r, c) {
		return r
	}
	s.judge(c.Value)
	s.searching = true
	defer func() { s.searching = false }()
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
		cell := -1
		if len(w.found) < limit {
			cell = s.bestCell()
		}
		if cell < 0 {
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
		m.cell = cell
		if !s.orient(&m.state, cell) {
			m.again = true // nothing to find here
			continue
		}
		if best >= 0 && w.found[best].d.status == Converged {
			s.best, s.radius = &w.found[best].state, 0.1*s.rig.grid.size[w.found[best].cell]
		}
		s.follow(m, 0)
		m.again = s.near(&m.state)
		poor := best < 0 || s.unlikely(w.found[best].d.chi2, implausible)
		if poor && (m.again || m.d.status != Converged || s.unlikely(m.d.chi2, implausible)) {
			soft := minimum{cell: cell}
			s.orient(&soft.state, cell)
			s.follow(&soft, softest)
			if m.again || s.cost(&soft) < s.cost(m) {
				soft.again = s.near(&soft.state)
				*m = soft
			}
		}
		s.best = nil
		switch {
		case m.again:
			hits++
		case best < 0 || s.cost(m) < s.cost(&w.found[best]):
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
	if s.rig.errors.Joint != nil || s.white.drive && s.rig.errors.Exact() {
		best = s.refit(found)
	}
	m := &found[best]
	*s.sum, s.factor = m.sum, m.factor
	st := m.state
	s.finish(&r, &st, &m.d)
	s.runnerUp(&r, found, best)
	s.searching = false
	s.settle(c, &r)
	return r
}

// refit fits what a search has found with the model's own errors in the weights,
// and returns the best.
func (s *Solver) refit(found []minimum) (best int) {
	s.searching = false
	for i := range found {
		m := &found[i]
		if !m.again && m.d.status == Converged {
			before := m.d.iterations
			s.follow(m, 0)
			m.d.iterations += before
		}
		if found[best].again || !m.again && s.cost(m) < s.cost(&found[best]) {
			best = i
		}
	}
	return best
}
