package solver

import (
	"math"
	"math/bits"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver/internal/kernel"
)

// scored is a cell of the grid with the score of its centre.
type scored struct {
	score float64
	cell  int
}

// list gathers the cells with scores up to limit that lie apart from the
// cells used.
func (s *Solver) list(limit float64) {
	w, g := &s.search, s.rig.grid
	kernel.Below(w.masks, w.scores, limit)
	w.listed = w.listed[:0]
	for i, m := range w.masks {
		for ; m != 0; m &= m - 1 {
			l := bits.TrailingZeros8(m)
			if k := i*kernel.Lanes + l; k < len(g.centers) {
				w.listed = append(w.listed, scored{w.scores[i][l], k})
			}
		}
	}
	for i := range w.found {
		s.strike(w.found[i].cell)
	}
}

// bestCell returns the listed cell with the lowest score and takes it and its
// neighbours off the list; −1 when none is left.
func (s *Solver) bestCell() int {
	best, at := math.Inf(1), -1
	for i := range s.search.listed {
		if v := &s.search.listed[i]; v.score < best {
			best, at = v.score, v.cell
		}
	}
	if at >= 0 {
		s.strike(at)
	}
	return at
}

// strike takes a cell and its neighbours off the list.
func (s *Solver) strike(cell int) {
	g := s.rig.grid
	p, h := g.centers[cell], g.size[cell]
	listed, kept := s.search.listed, 0
	for _, v := range listed {
		// Kept or not is as likely: no branch on it.
		listed[kept] = v
		if r := s.search.apart * (h + g.size[v.cell]); r3.Norm2(r3.Sub(p, g.centers[v.cell])) >= r*r {
			kept++
		}
	}
	s.search.listed = listed[:kept]
}
