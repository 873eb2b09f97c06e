// Package pyramid keeps long series with their least and largest values at several
// scales, so that any stretch of them is drawn from a few thousand numbers: Rows hold
// numbers against time, Samples those of a recording's channels, Windows some of many
// windows.
//
// Rows and Samples may be read by many goroutines while one appends.
package pyramid

import (
	"math"
	"slices"
	"sort"
	"sync"
)

const (
	fan      = 16             // rows of one level in one of the next
	perChunk = fan * fan * 16 // rows that are kept, and forgotten, together
)

// Rows are columns of numbers against time, in 32 bits. NaN is "no value".
type Rows struct {
	mu      sync.RWMutex
	columns int
	most    int // rows kept; 0: all
	chunks  []*chunk
	dropped int // rows forgotten before the first chunk
	last    float64
	hops    [64]float64 // the last distances of successive rows
	n       int
}

// chunk is perChunk rows; only the last one may have fewer.
type chunk struct {
	time   []float64
	flags  []uint32
	values [][]float32 // a column without any value has no memory
	levels [2]level    // of fan and of fan² rows an entry
}

type level struct {
	flags     []uint32
	flagged   []uint16 // rows with a flag
	low, high [][]float32
}

// NewRows makes Rows of so many columns that forget the oldest beyond most; 0: none.
func NewRows(columns, most int) *Rows { return &Rows{columns: columns, most: most, last: math.Inf(-1)} }

// Append adds a row. Times must not fall: it reports false, and adds nothing, for one
// before the last.
func (r *Rows) Append(time float64, flags uint32, values []float32) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !(time >= r.last) {
		return false
	}
	if r.n > 0 {
		r.hops[r.n%len(r.hops)] = time - r.last
	}
	r.last = time
	r.n++
	r.open().append(time, flags, values)
	r.forget()
	return true
}

// AppendAll adds rows that are given by column, as Append does, and returns how many: all,
// or those before the first whose time falls.
func (r *Rows) AppendAll(times []float64, flags []uint32, values [][]float32) (n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for n < len(times) {
		c := r.open()
		first := n
		for n < len(times) && n-first < perChunk-len(c.time) && times[n] >= r.last {
			if r.n > 0 {
				r.hops[r.n%len(r.hops)] = times[n] - r.last
			}
			r.last = times[n]
			r.n++
			n++
		}
		if n == first {
			break
		}
		c.appendAll(times[first:n], flags[first:n], values, first)
		r.forget()
	}
	return n
}

// Replace takes the rows of another, which is not used any more.
func (r *Rows) Replace(by *Rows) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.chunks, r.dropped, r.last, r.hops, r.n = by.chunks, by.dropped, by.last, by.hops, by.n
}

// open is the chunk that has room.
func (r *Rows) open() *chunk {
	if len(r.chunks) == 0 || len(r.chunks[len(r.chunks)-1].time) == perChunk {
		r.chunks = append(r.chunks, newChunk(r.columns, len(r.chunks) > 0))
	}
	return r.chunks[len(r.chunks)-1]
}

func (r *Rows) forget() {
	if r.most > 0 && r.n-r.dropped >= r.most+perChunk {
		r.chunks = slices.Delete(r.chunks, 0, 1)
		r.dropped += perChunk
	}
}

func newChunk(columns int, whole bool) *chunk {
	size := 0
	if whole { // the first may stay small
		size = perChunk
	}
	c := &chunk{time: make([]float64, 0, size), flags: make([]uint32, 0, size), values: make([][]float32, columns)}
	for l := range c.levels {
		c.levels[l].low, c.levels[l].high = make([][]float32, columns), make([][]float32, columns)
	}
	return c
}

func (c *chunk) append(time float64, flags uint32, values []float32) {
	i := len(c.time)
	for k, v := range values {
		if c.has(k, v == v) {
			c.values[k] = append(c.values[k], v)
		}
	}
	c.time, c.flags = append(c.time, time), append(c.flags, flags)
	every := fan
	for l := range c.levels {
		c.levels[l].append(i/every, flags, values)
		every *= fan
	}
}

// has tells whether a column is kept, or is from now on as there is some value.
func (c *chunk) has(k int, some bool) bool {
	if c.values[k] == nil && some {
		c.values[k] = make([]float32, len(c.time), max(cap(c.time), len(c.time)+1))
		for i := range c.values[k] {
			c.values[k][i] = nan
		}
	}
	return c.values[k] != nil
}

// value is one of a column's.
func (c *chunk) value(column, row int) float32 {
	if v := c.values[column]; v != nil {
		return v[row]
	}
	return nan
}

// appendAll adds rows by column, whose values begin at an index.
func (c *chunk) appendAll(times []float64, flags []uint32, values [][]float32, first int) {
	before := len(c.time)
	for k := range values {
		some := values[k][first : first+len(times)]
		if c.has(k, slices.ContainsFunc(some, func(v float32) bool { return v == v })) {
			c.values[k] = append(c.values[k], some...)
		}
	}
	c.time, c.flags = append(c.time, times...), append(c.flags, flags...)
	every := fan
	for l := range c.levels {
		for i := before; i < len(c.time); {
			entry := i / every
			stop := min((entry+1)*every, len(c.time))
			c.levels[l].widen(entry, c.flags[i:stop], c.values, i)
			i = stop
		}
		every *= fan
	}
}

// entry makes room for the i-th entry.
func (l *level) entry(i int) {
	if i == len(l.flags) {
		l.flags, l.flagged = append(l.flags, 0), append(l.flagged, 0)
		for k := range l.low {
			l.low[k], l.high[k] = append(l.low[k], nan), append(l.high[k], nan)
		}
	}
}

// widen takes rows into the i-th entry, whose values begin at an index.
func (l *level) widen(i int, flags []uint32, values [][]float32, first int) {
	l.entry(i)
	for _, f := range flags {
		if l.flags[i] |= f; f != 0 {
			l.flagged[i]++
		}
	}
	for k := range values {
		if values[k] == nil {
			continue
		}
		low, high := l.low[k][i], l.high[k][i]
		for _, v := range values[k][first : first+len(flags)] {
			widen(&low, &high, v, v)
		}
		l.low[k][i], l.high[k][i] = low, high
	}
}

func (l *level) append(i int, flags uint32, values []float32) {
	l.entry(i)
	if l.flags[i] |= flags; flags != 0 {
		l.flagged[i]++
	}
	for k, v := range values {
		widen(&l.low[k][i], &l.high[k][i], v, v)
	}
}

var nan = float32(math.NaN())

// widen takes the range from lo to hi into that of low and high; NaN is none.
func widen(low, high *float32, lo, hi float32) {
	if !(*low <= lo) && lo == lo { // also where low is NaN
		*low = lo
	}
	if !(*high >= hi) && hi == hi {
		*high = hi
	}
}

// Len is how many rows are kept.
func (r *Rows) Len() int {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return r.n - r.dropped
}

// Span is the time of the first and of the last row; ok is false of none.
func (r *Rows) Span() (first, last float64, ok bool) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	if len(r.chunks) == 0 {
		return 0, 0, false
	}
	return r.chunks[0].time[0], r.last, true
}

// Hop is the usual distance of successive rows, the median of the last ones; NaN of
// fewer than two rows.
func (r *Rows) Hop() float64 {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return r.hop()
}

func (r *Rows) hop() float64 {
	n := min(r.n-1, len(r.hops))
	if n < 1 {
		return math.NaN()
	}
	sorted := make([]float64, 0, len(r.hops))
	for i := range n {
		sorted = append(sorted, r.hops[(r.n-1-i)%len(r.hops)])
	}
	slices.Sort(sorted)
	return sorted[n/2]
}

// Row is one row, by its number from the first that was ever appended.
type Row struct {
	Number int
	Time   float64
	Flags  uint32
	Values []float32
}

// At is the row that is nearest to a time; ok is false where there is none.
func (r *Rows) At(time float64) (row Row, ok bool) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	n := r.n - r.dropped
	if n == 0 {
		return row, false
	}
	i := r.search(time)
	if i == n || i > 0 && time-r.time(i-1) < r.time(i)-time {
		i--
	}
	return r.row(i), true
}

// Step is the row so many rows after the one nearest to a time, or the outermost.
func (r *Rows) Step(time float64, by int) (row Row, ok bool) {
	if row, ok = r.At(time); !ok {
		return row, false
	}
	r.mu.RLock()
	defer r.mu.RUnlock()
	i := row.Number - r.dropped + by
	return r.row(min(max(i, 0), r.n-r.dropped-1)), true
}

// Turn is the next row after a time, or before it, whose flags differ from those of the
// row before it and are not none: where a disturbance begins.
func (r *Rows) Turn(time float64, forward bool) (row Row, ok bool) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	n := r.n - r.dropped
	begins := func(i int) bool {
		f := r.flags(i)
		return f != 0 && (i == 0 || r.flags(i-1)&f != f)
	}
	i := r.search(time)
	if forward {
		for ; i < n; i++ {
			if r.time(i) > time && begins(i) {
				return r.row(i), true
			}
		}
		return row, false
	}
	for i = min(i, n) - 1; i >= 0; i-- {
		if r.time(i) < time && begins(i) {
			return r.row(i), true
		}
	}
	return row, false
}

// Number is the i-th of the rows that are kept.
func (r *Rows) Number(i int) Row {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return r.row(i)
}

// gap tells whether rows are missing before one: it comes later than those beside it
// would have it come.
func (r *Rows) gap(i int) bool {
	wait := r.time(i) - r.time(i-1)
	beside := 0.0
	if i > 1 {
		beside = r.time(i-1) - r.time(i-2)
	}
	if i+1 < r.n-r.dropped {
		beside = max(beside, r.time(i+1)-r.time(i))
	}
	return beside > 0 && wait > 1.5*beside
}

func (r *Rows) time(i int) float64 { return r.chunks[i/perChunk].time[i%perChunk] }
func (r *Rows) flags(i int) uint32 { return r.chunks[i/perChunk].flags[i%perChunk] }

func (r *Rows) row(i int) Row {
	c, k := r.chunks[i/perChunk], i%perChunk
	row := Row{Number: i + r.dropped, Time: c.time[k], Flags: c.flags[k], Values: make([]float32, r.columns)}
	for j := range row.Values {
		row.Values[j] = c.value(j, k)
	}
	return row
}

// search is the first row whose time is not below t.
func (r *Rows) search(t float64) int {
	return sort.Search(r.n-r.dropped, func(i int) bool { return r.time(i) >= t })
}
