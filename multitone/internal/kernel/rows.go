// Package kernel holds the inner loops of the demodulator bank: many weighted
// sums over the same samples of several channels.
//
// Every weighting is split into its even and its odd part about the middle of
// the block. The samples are folded once, x(u) ± x(−u), and half the products
// remain. Sums and differences stand side by side, as do the two tables, so
// that one multiplication of vectors carries both.
package kernel

import (
	"fmt"
	"unsafe"

	"tonepose/fieldmodels/variant"
)

// Real is the arithmetic of the products.
type Real interface{ float32 | float64 }

const (
	group = 8  // rows that go through the samples together
	run   = 64 // places that are folded before their products are summed, at least
	chain = 32 // products that are summed one after the other in float32
	// joined is how many runs may join in float32, two chains of each, before
	// they are added in float64.
	joined = 4
	steps  = 8 // the tables' length is a multiple: loops are unrolled up to so often
)

// Rows computes, in blocks of interleaved samples of several channels, a set of
// pairs of sums: with u counted from the block's middle,
//
//	even_r = Σ_{u≥0} E_r(u)·(x(u) + x(−u)),  odd_r = Σ_{u≥0} O_r(u)·(x(u) − x(−u)).
//
// The sum of a block's products errs, relative to the largest possible sum, by
// no more than (chain + 2·joined)·2⁻²⁴ in float32, and by far less where rounding errors are
// not all alike; 16-bit counts are folded exactly.
type Rows[T Real] struct {
	length, half int // samples of a block; places u ≥ 0
	channels     int
	grid         grid
	table        []T // groups × padded half × group × (even, odd)
	run          int // places that are folded before their products are summed
	fold         []T // run × padded channels × (sum, difference)
	held         []T // a run's sums until those of the next join them
	loops        loops[T]
}

// grid is how tables and sums lie in memory, counted in elements.
type grid struct {
	channels int
	stride   int // channels, padded
	groups   int
	padded   int // half, padded
}

// New makes the tables, all zero, for blocks of the given length.
func New[T Real](length, rows, channels int) *Rows[T] {
	r := &Rows[T]{length: length, half: (length + 1) / 2, channels: channels}
	r.grid = grid{channels: channels, stride: channels, groups: (rows + group - 1) / group, padded: roundUp(r.half, steps)}
	if channels > 1 {
		r.grid.stride = roundUp(channels, 4)
	}
	r.table = make([]T, r.grid.groups*r.grid.padded*2*group)
	r.held = make([]T, 2*r.Size())
	r.loops = fastest[T]()
	r.run = r.loops.run(channels)
	r.fold = make([]T, r.run*r.grid.stride*2)
	return r
}

func roundUp(n, to int) int { return (n + to - 1) / to * to }

// Half is the number of places u ≥ 0: 0, 1, … for odd lengths, ½, 1½, … for even.
func (r *Rows[T]) Half() int { return r.half }

// Set gives row i its tables, at the places at, at+1, … of u ≥ 0. The middle
// sample of an odd length is folded onto itself; Set sees to it.
func (r *Rows[T]) Set(i, at int, even, odd []float64) {
	t := r.table[(i/group*r.grid.padded+at)*2*group+2*(i%group):]
	for n, e := range even {
		o := odd[n]
		if at+n == 0 && r.length%2 == 1 {
			e, o = e/2, 0
		}
		t[2*group*n], t[2*group*n+1] = T(e), T(o)
	}
}

// Size is the length of the results.
func (r *Rows[T]) Size() int { return r.grid.groups * r.grid.stride * group }

// Index is where the results hold a row of a channel, as complex(even, odd).
func (r *Rows[T]) Index(channel, row int) int {
	return (row/group*r.grid.stride+channel)*group + row%group
}

// Int16 sums over a block of counts, samples × channels, into dst.
func (r *Rows[T]) Int16(dst []complex128, x []int16) { project(r, dst, x, r.loops.int16) }

// Float64 sums over a block of floats, samples × channels, into dst.
func (r *Rows[T]) Float64(dst []complex128, x []float64) { project(r, dst, x, r.loops.float64) }

func project[T Real, S int16 | float64](r *Rows[T], dst []complex128, x []S, fold func([]T, []S, folding)) {
	if len(dst) != r.Size() || len(x) != r.length*r.channels {
		panic(fmt.Sprintf("kernel: %d samples into %d results: want %d into %d", len(x), len(dst), r.length*r.channels, r.Size()))
	}
	up, down := r.length/2, (r.length-1)/2
	step := uintptr(r.channels) * unsafe.Sizeof(x[0])
	base := uintptr(unsafe.Pointer(&x[0]))
	for at := 0; at < r.half; at += r.run {
		n := min(r.run, r.half-at)
		fold(r.fold, x, folding{up + at, down - at, n, r.channels, r.grid.stride})
		whole := roundUp(n, steps)
		clear(r.fold[n*r.grid.stride*2 : whole*r.grid.stride*2])
		now := turn{i: at / r.run, last: at+n == r.half,
			up: base + uintptr(up+at+r.run)*step, down: base + uintptr(down-at-r.run)*step}
		r.loops.sum(dst, r.held, r.table[at*2*group:], r.fold, whole, r.grid, now)
	}
}

// folding names the samples that are folded: n pairs, up, up+1, … with down,
// down−1, … of interleaved channels.
type folding struct{ up, down, n, channels, stride int }

// loops are one variant of the inner loops.
type loops[T Real] struct {
	run     func(channels int) int // places that are folded at a time
	int16   func(dst []T, x []int16, f folding)
	float64 func(dst []T, x []float64, f folding)
	// sum adds the products of n places, a multiple of steps, to the sums; in the
	// first run it overwrites these. It may hold the sums of a run back, but the
	// last, and join them to those of the next.
	sum func(sums []complex128, held, table, fold []T, n int, g grid, now turn)
}

// turn is the place of a run in its block, with the addresses of the samples that
// are folded next, to be fetched meanwhile. These may lie outside of the block and
// are never read.
type turn struct {
	i        int
	last     bool
	up, down uintptr
}

func (t turn) first() bool { return t.i == 0 }

func usual(int) int { return run }

// Halves joins the sums of a window's two halves. Rows 2i and 2i+1 hold the even and
// the odd part of the weights of function i over the second half; over the first
// half they stand in a mirror. Of these rows' sums a and b of the first half, c and d
// of the second, function i is
//
//	Re a − Im a + Re c + Im c + j·(Im b − Re b + Re d + Im d),
//
// written times scale for each channel to dst, channel by channel.
func (r *Rows[T]) Halves(dst, first, last []complex128, i int, scale []float64) {
	at := r.Index(0, 2*i)
	end := at + (len(scale)-1)*group + 2
	halves(dst[:len(scale)], first[at:end], last[at:end], scale)
}

var (
	halves       = halvesGo
	halvesKernel = variant.New("multitone.Halves", &halves)
)

// halvesGo takes pairs that stand group numbers apart.
func halvesGo(dst, first, last []complex128, scale []float64) {
	for c, s := range scale {
		a, b := first[c*group:c*group+2], last[c*group:c*group+2]
		re := (real(a[0]) - imag(a[0])) + (real(b[0]) + imag(b[0]))
		im := (imag(a[1]) - real(a[1])) + (real(b[1]) + imag(b[1]))
		dst[c] = complex(re*s, im*s)
	}
}
