package frequencyplan

import (
	"context"
	"math/bits"
)

// rules is a set of constraints.
type rules uint8

const (
	mainsRule rules = 1 << iota
	harmonicRule
	secondOrderRule
	thirdOrderRule
	spacingRule
	everything = mainsRule | harmonicRule | secondOrderRule | thirdOrderRule | spacingRule
)

// board is the state of a search: the tones so far, and what they forbid.
type board struct {
	ctx context.Context
	*grid
	rules
	open     []stepSet // [tones placed] the steps from lo on that may still become tones
	free     stepSet   // open with no tone placed: what each alone may be
	tones    []int
	near     []int8 // a step: how many tones are nearer than the guard
	products []int  // of the candidate last looked at, folded
	work     int    // products and candidates looked at since reset
	asked    int    // at how much work the context was asked
	ended    bool   // the context has
	most     int    // tones placed at best since reset
	list     []int
	trial    stepSet
}

func newBoard(ctx context.Context, g *grid, r rules) *board {
	size := max(0, g.hi-g.lo+1)
	b := &board{ctx: ctx, grid: g, rules: r, near: make([]int8, g.samples/2+1), free: newStepSet(size), trial: newStepSet(size)}
	for n := g.lo; n <= g.hi; n++ {
		if b.alone(n) {
			b.free.insert(n - g.lo)
		}
	}
	for range g.Tones + 1 {
		b.open = append(b.open, newStepSet(size))
	}
	return b
}

// alone tells whether a tone is clear of mains and of its own aliased harmonics.
func (b *board) alone(n int) bool {
	if b.rules&mainsRule != 0 && len(b.MainsHz) > 0 {
		if d, _, _ := b.mainsDistance(b.hz(n)); d < b.MarginHz-slack*b.stepHz {
			return false
		}
	}
	if b.rules&harmonicRule != 0 {
		for p := 2; p <= harmonics; p++ {
			if d := b.fold(p*n) - n; d < b.guard && d > -b.guard {
				return false
			}
		}
	}
	return true
}

// everyGuard are the free steps that are multiples of the guard.
func (b *board) everyGuard() stepSet {
	some := make(stepSet, len(b.free))
	for i := b.free.next(0); i >= 0; i = b.free.next(i + 1) {
		if (b.lo+i)%b.guard == 0 {
			some.insert(i)
		}
	}
	return some
}

// reset clears the board and its counts.
func (b *board) reset() {
	b.clear()
	b.work, b.most, b.asked = 0, 0, 0
}

// over tells whether a search ends: at the limit of work, or with its context.
func (b *board) over(limit int) bool {
	const step = 1 << 20 // some 10 ms
	if b.work >= b.asked {
		b.asked = b.work + step
		b.ended = b.ctx.Err() != nil
	}
	return b.ended || b.work > limit
}

func (b *board) clear() {
	for len(b.tones) > 0 {
		b.removeLast()
	}
	copy(b.open[0], b.free)
}

// add adds a tone, removeLast removes the last one.
func (b *board) add(n int) {
	b.tones = append(b.tones, n)
	b.countNear(n, 1)
}

func (b *board) removeLast() {
	last := len(b.tones) - 1
	b.countNear(b.tones[last], -1)
	b.tones = b.tones[:last]
}

func (b *board) countNear(n int, by int8) {
	for i := max(0, n-b.guard+1); i <= min(b.samples/2, n+b.guard-1); i++ {
		b.near[i] += by
	}
}

// compatible gathers the products that x makes with the tones so far, and tells
// whether all keep clear of x and of those tones. Products of the tones so far
// with each other are no longer open. It stops at the first conflict.
func (b *board) compatible(x int) bool {
	p := b.products[:0]
	defer func() {
		b.products = p
		b.work += len(p)
	}()
	// clear folds a product, notes it and tells whether it keeps clear.
	clear := func(v int) bool {
		v = b.fold(v)
		p = append(p, v)
		d := v - x
		return b.near[v] == 0 && (d >= b.guard || d <= -b.guard)
	}
	if b.rules&harmonicRule != 0 {
		for k := 2; k <= harmonics; k++ {
			if !clear(k * x) {
				return false
			}
		}
	}
	if b.rules&secondOrderRule != 0 {
		for _, s := range b.tones {
			if !clear(x+s) || !clear(x-s) {
				return false
			}
		}
	}
	if b.rules&thirdOrderRule != 0 {
		for i, s := range b.tones {
			if !clear(2*x+s) || !clear(2*x-s) || !clear(2*s+x) || !clear(2*s-x) {
				return false
			}
			for _, t := range b.tones[:i] {
				if !clear(x+s+t) || !clear(x+s-t) || !clear(x-s+t) || !clear(x-s-t) {
					return false
				}
			}
		}
	}
	return true
}

// closeNear copies open to dst without the neighbourhoods of the gathered products.
func (b *board) closeNear(dst, open stepSet) {
	copy(dst, open)
	b.work += len(dst)/8 + len(b.products)*(1+b.guard/32)
	for _, p := range b.products {
		dst.remove(max(p-b.guard+1, b.lo)-b.lo, min(p+b.guard-1, b.hi)-b.lo)
	}
}

// stepSet is a set of small whole numbers, a bit each.
type stepSet []uint64

func newStepSet(size int) stepSet { return make(stepSet, (size+63)/64) }

func (s stepSet) insert(i int) { s[i/64] |= 1 << (i % 64) }

// remove takes out from … to, both included; none if to < from.
func (s stepSet) remove(from, to int) {
	for i := from; i <= to; {
		n := min(64-i%64, to-i+1)
		s[i/64] &^= (^uint64(0) >> (64 - n)) << (i % 64)
		i += n
	}
}

// next is the least member from i on, −1 if there is none.
func (s stepSet) next(i int) int {
	if i/64 >= len(s) {
		return -1
	}
	w := s[i/64] >> (i % 64)
	if w != 0 {
		return i + bits.TrailingZeros64(w)
	}
	for k := i/64 + 1; k < len(s); k++ {
		if s[k] != 0 {
			return 64*k + bits.TrailingZeros64(s[k])
		}
	}
	return -1
}

func (s stepSet) count() int {
	n := 0
	for _, w := range s {
		n += bits.OnesCount64(w)
	}
	return n
}

func (s stepSet) appendAll(list []int) []int {
	for k, w := range s {
		for ; w != 0; w &= w - 1 {
			list = append(list, 64*k+bits.TrailingZeros64(w))
		}
	}
	return list
}
