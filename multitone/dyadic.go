package multitone

import "math/bits"

// dyadic joins items that come one after the other to groups of 2, 4, 8 … of them, each
// beginning at a multiple of its size: any run of items is made of few of them. It keeps
// no more than two groups of a size.
type dyadic[T any] struct {
	count  int // items so far
	make   func() T
	join   func(into, first, second T)
	levels [][2]T // by size: the latest groups of even and of odd number
}

// next is where the next item belongs.
func (d *dyadic[T]) next() T { return d.place(0, d.count) }

// place is the memory of group i of 2^level items.
func (d *dyadic[T]) place(level, i int) T {
	for len(d.levels) <= level {
		d.levels = append(d.levels, [2]T{d.make(), d.make()})
	}
	return d.levels[level][i%2]
}

// done counts the item that was written to next, and joins the groups that end with it.
func (d *dyadic[T]) done() {
	i := d.count
	d.count++
	for level := 0; i%2 == 1; level++ {
		i /= 2
		d.join(d.place(level+1, i), d.place(level, 0), d.place(level, 1))
	}
}

// skip counts an item that no run takes, nor any group it is in.
func (d *dyadic[T]) skip() { d.count++ }

// run takes items [at, end) as they come, in groups of at most 2^most.
type run struct {
	at, end int
	most    int
}

// due is how many items there must be for the run's next group to be complete; level is
// its size. 0: there is no more to come.
func (r *run) due() (count, level int) {
	if r.at >= r.end {
		return 0, 0
	}
	level = min(r.most, bits.Len(uint(r.end-r.at))-1)
	if r.at > 0 {
		level = min(level, bits.TrailingZeros(uint(r.at)))
	}
	return r.at + 1<<level, level
}

// take hands out the run's next group if it has just become complete.
func (d *dyadic[T]) take(r *run, use func(group T, at, level int)) {
	if count, level := r.due(); count == d.count && count > 0 {
		use(d.levels[level][(count>>level-1)%2], r.at, level)
		r.at = count
	}
}
