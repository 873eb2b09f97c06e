package frequencyplan

import (
	"context"
	"slices"
)

// Choose finds tones [Hz] for a Spec, rising, spread over the band as widely as it
// can. If there is no set, or none was found, the error is an *Infeasible. Equal
// calls give equal tones. When the context ends, so does the search, with its
// error.
//
// It lowers the least spacing from the even one and searches each time depth
// first in rising frequency: what the products of the tones so far reach is
// removed from the frequencies that may follow, and a branch ends when too few of
// them are left. Crowded bands, where that comes to no end, are filled tone by
// tone with the one that removes least, and improved by exchanging tones; small ones are searched to the end, so
// that "no set exists" is a proof.
func Choose(ctx context.Context, s Spec) ([]float64, error) {
	g, err := newGrid(s)
	if err != nil {
		return nil, err
	}
	if s.Tones < 1 || s.Tones > maxTones {
		return nil, &SpecError{"Tones", s.Tones, "must be 1 to 64"}
	}
	tones, proven, most := g.choose(ctx, everything, fullEffort)
	if tones == nil && ctx.Err() == nil {
		err = g.diagnose(ctx, proven, most)
	}
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	var hz []float64
	for _, n := range tones {
		hz = append(hz, g.hz(n))
	}
	return hz, err
}

// effort limits a search, counted in products and candidates looked at so that
// results do not depend on the machine; a hundred million take about a second.
type effort struct {
	each int // for each spacing, depth first
	grow int // for filling
	last int // for the search to the end
}

var (
	fullEffort  = effort{each: 2_000_000, grow: 400_000_000, last: 50_000_000}
	probeEffort = effort{each: 500_000, grow: 15_000_000, last: 2_000_000}
)

// choose returns rising tones in steps, nil if there are none; then proven tells
// that no set exists, and most how many tones were placed at best.
func (g *grid) choose(ctx context.Context, r rules, e effort) (tones []int, proven bool, most int) {
	least := g.spacing
	if r&spacingRule == 0 {
		least = 1
	}
	even := max(least, (g.hi-g.lo)/max(1, g.Tones-1))
	b := newBoard(ctx, g, r)
	try := func(search func() bool) bool {
		b.reset()
		found := search()
		most = max(most, b.most)
		return found
	}
	done := func() []int {
		slices.Sort(b.tones)
		return b.tones
	}
	for spacing := even; ; spacing = max(least, min(spacing-1, spacing*9/10)) {
		if try(func() bool { return b.descend(spacing, e.each) }) {
			return done(), false, most
		}
		if spacing == least {
			break
		}
	}
	if b.work <= e.each { // the least spacing was searched to the end
		return nil, true, most
	}
	for share := 4; ; share *= 2 { // from a quarter of the even spacing down
		spacing, limit := least+(even-least)/share, e.grow/8
		if share > 16 || spacing == least {
			spacing, limit = least, e.grow
			// Whole margins apart, frequencies that differ keep clear, and few are left to search.
			fine := b.free
			b.free = b.everyGuard()
			found := g.guard > 1 && try(func() bool { return b.pack(spacing, limit) })
			if b.free = fine; found {
				return done(), false, most
			}
		}
		if try(func() bool { return b.pack(spacing, limit) }) {
			return done(), false, most
		}
		if spacing == least {
			break
		}
	}
	if try(func() bool { return b.descend(least, e.last) }) {
		return done(), false, most
	}
	return nil, b.work <= e.last, most
}

// descend places all tones in rising order at least spacing apart. Without
// success, b.work within the limit tells that it looked at every possibility.
func (b *board) descend(spacing, limit int) bool { return b.place(b.lo, spacing, limit) }

// place adds the next tone at from or above, and all after it.
func (b *board) place(from, spacing, limit int) bool {
	depth := len(b.tones)
	b.most = max(b.most, depth)
	if depth == b.Tones {
		return true
	}
	open := b.open[depth]
	for n := b.next(open, from); n >= 0 && !b.over(limit); n = b.next(open, n+1) {
		if !b.fits(open, n, b.Tones-depth, spacing) {
			return false // nor from any later start
		}
		if !b.compatible(n) {
			continue
		}
		b.closeNear(b.open[depth+1], open)
		b.add(n)
		if b.place(n+spacing, spacing, limit) {
			return true
		}
		b.removeLast()
	}
	return false
}

// next finds the first open step from n on, −1 if there is none.
func (b *board) next(open stepSet, n int) int {
	b.work++
	if i := open.next(n - b.lo); i >= 0 {
		return b.lo + i
	}
	return -1
}

// fits bounds the search: whether count open steps lie spacing apart from n on.
func (b *board) fits(open stepSet, n, count, spacing int) bool {
	for ; count > 0; count-- {
		if n = b.next(open, n); n < 0 {
			return false
		}
		n += spacing
	}
	return true
}
