package recording

import (
	"iter"
	"math"
)

// run is how long a channel has not changed.
type run struct {
	value float64
	start int64
	valid bool
}

// Planar checks samples of every channel, one slice a channel, from sample pos on, in the blocks' units. For integers
// these are brought back to counts by one factor, exactly so as far as the comparison with the end codes needs it.
func (m *Monitor) Planar(x [][]float64, pos int64) {
	m.pieces(pos, len(x[0]), func(start, stop int, at int64) {
		m.repeat.floats(m, x[0][start:stop], x[len(x)-1][start:stop], at)
		m.held.frames(m, at, stop-start, func(c, i int) float64 { return x[c][start+i] })
		for c := range m.channels {
			m.channel(c, x[c][start:stop], at)
		}
	})
}

// channel checks a piece of one channel.
func (m *Monitor) channel(c int, x []float64, pos int64) {
	s := &m.channels[c]
	if s.size != 1 {
		unit := 1 / s.size
		y := m.scratch[:len(x)]
		for i, v := range x {
			y[i] = math.Round(v * unit)
		}
		x = y
	}
	lo, hi, sum, longest := extremes(x)
	s.means.add(pos, len(x), sum)
	s.min, s.max = min(s.min, lo), max(s.max, hi)
	s.reach(lo, hi, pos, pos+int64(len(x)))
	if lo <= s.lowEnd || hi >= s.highEnd || longest >= 3 && lo < hi || s.low.due(-lo) || s.high.due(hi) {
		m.clipping(c, x, lo, hi, pos)
	}
	value := func(i int) float64 { return x[i] }
	if longest >= minHeld || s.run.valid && pos-s.run.start > 1 {
		chance := strides(value, len(x))
		m.heldRuns(c, len(x), value, lo, hi, &chance, pos)
	}
	m.stuck(c, len(x), value, lo == hi, pos)
}

// extremes of x, its sum and the longest row of equal samples. Two sums keep the additions from waiting for each
// other.
func extremes(x []float64) (lo, hi, sum float64, longest int) {
	lo, hi = x[0], x[0]
	prev, equal := math.NaN(), 1
	var even, odd float64
	for i := range len(x) / 2 {
		u, v := x[2*i], x[2*i+1]
		even += u
		odd += v
		if u > hi {
			hi = u
		}
		if v > hi {
			hi = v
		}
		if u < lo {
			lo = u
		}
		if v < lo {
			lo = v
		}
		if u == prev || u == v {
			equal, longest = row(u, prev, equal, longest)
			equal, longest = row(v, u, equal, longest)
		} else {
			equal = 1
		}
		prev = v
	}
	if len(x)%2 == 1 {
		v := x[len(x)-1]
		lo, hi = min(lo, v), max(hi, v)
		even += v
		_, longest = row(v, prev, equal, longest)
	}
	return lo, hi, even + odd, longest
}

// row goes on with a row of equal samples.
func row(v, prev float64, equal, longest int) (int, int) {
	if v != prev {
		return 1, longest
	}
	return equal + 1, max(longest, equal+1)
}

// stuck follows the time that a channel has not changed through n samples from pos on.
func (m *Monitor) stuck(c, n int, at func(i int) float64, constant bool, pos int64) {
	r := &m.channels[c].run
	last, lead, tail := at(n-1), n, n // the first lead samples continue the run, the last tail samples are equal
	if !constant {
		for lead = 0; r.valid && at(lead) == r.value; lead++ {
		}
		for tail = 1; at(n-1-tail) == last; tail++ {
		}
	} else if r.valid && r.value != last {
		lead = 0
	}
	end := pos + int64(lead)
	if r.valid && lead > 0 && end-r.start >= StuckSamples {
		m.add(Stuck, c, r.start, end)
	}
	if r.valid && lead == n {
		return
	}
	end = pos + int64(n)
	*r = run{last, end - int64(tail), true}
	if end-r.start >= StuckSamples {
		m.add(Stuck, c, r.start, end)
	}
}

// flats are the stretches [start, stop) of equal samples at the extremes lo and hi of x.
func flats(x []float64, lo, hi float64) iter.Seq2[int, int] {
	return func(yield func(start, stop int) bool) {
		for i := 0; i < len(x); {
			start := i
			for i++; i < len(x) && x[i] == x[start]; i++ {
			}
			if (x[start] == lo || x[start] == hi) && !yield(start, i) {
				return
			}
		}
	}
}

// clipping looks for end codes, limits and flat tops in a piece with extremes lo and hi.
func (m *Monitor) clipping(c int, x []float64, lo, hi float64, pos int64) {
	s := &m.channels[c]
	if s.low.due(-lo) && s.low.look(x, -1, -lo, s.max-s.min) {
		m.limited(c, &s.low)
	}
	if s.high.due(hi) && s.high.look(x, 1, hi, s.max-s.min) {
		m.limited(c, &s.high)
	}
	low, high := flatTops(x, lo, hi)
	for start, stop := range flats(x, lo, hi) {
		v, l, flat, to := x[start], &s.high, high.found(), x[start]
		if v == lo {
			l, flat, to = &s.low, low.found(), -v
		}
		at := span{pos + int64(start), pos + int64(stop)}
		switch {
		case v <= s.lowEnd, v >= s.highEnd, flat && stop-start >= 3, to == l.found:
			m.clipped(c, at)
		case to == l.farthest && !l.settled && len(l.met) < limitMet:
			l.met = append(l.met, at)
		}
	}
}

// limited calls clipped what met a limit before it was known.
func (m *Monitor) limited(c int, l *limit) {
	for _, s := range l.met {
		m.clipped(c, s)
	}
	l.met = nil
}

func (m *Monitor) clipped(c int, s span) {
	m.channels[c].clipped += s.stop - s.start
	m.add(Clipped, c, s.start, s.stop)
}

// tops is the evidence that one extreme of a piece is a limit.
type tops struct {
	samples int     // at the extreme
	next    float64 // nearest other value
	chance  float64 // logarithm of the probability of the flat tops found, were the samples independent
}

// found: by chance less than once in 10^9 pieces.
func (t *tops) found() bool { return t.chance < -9*math.Ln10 }

// flatTops looks at both extremes of x. Three or more equal samples make a flat top if a smooth peak would not do so
// under the quantisation that x shows. A few can also come by chance: k samples in a row at an extreme that the fraction
// f of all samples takes have the probability f^(k−1) at each of these samples; the tops together must be far from that.
// Where the samples between the extremes repeat the one before more often than that, as of a slow or held signal, their
// share stands for f.
// An extreme that lies apart from all other values is no limit but another level, of a pulse or a stuck channel.
func flatTops(x []float64, lo, hi float64) (low, high tops) {
	if lo == hi {
		return
	}
	low.next, high.next = hi, lo
	step, equal := math.Inf(1), 0
	for i, v := range x {
		switch {
		case v == lo:
			low.samples++
		case v == hi:
			high.samples++
		default:
			low.next, high.next = min(low.next, v), max(high.next, v)
		}
		if i > 0 {
			switch d := math.Abs(v - x[i-1]); {
			case d == 0 && v != lo && v != hi:
				equal++
			case d < step && d > 0:
				step = d
			}
		}
	}
	for start, stop := range flats(x, lo, hi) {
		t := &low
		if x[start] == hi {
			t = &high
		}
		if math.Abs(t.next-x[start]) < (hi-lo)/4 && steep(x, start, stop, step) {
			n, all := float64(t.samples), float64(len(x))
			again := max(n/all, float64(equal)/max(1, all-float64(low.samples+high.samples)))
			t.chance += min(0, float64(stop-start-1)*math.Log(again)+math.Log(n))
		}
	}
	return low, high
}

// steep tells a clipped peak from a smooth one that quantisation flattens. Of a smooth peak, k equal samples lie within one
// step q, so its curvature is at most 8q/(k−1)² a sample squared, and it has fallen by at most q((k+1)/(k−1))² at the
// samples beside them, and by q more for rounding. A steeper flank, on the side where it is less steep, is a clip.
func steep(x []float64, start, stop int, step float64) bool {
	k := float64(stop - start)
	if k < 3 {
		return false
	}
	fall := math.Inf(1)
	if start > 0 {
		fall = math.Abs(x[start-1] - x[start])
	}
	if stop < len(x) {
		fall = min(fall, math.Abs(x[stop]-x[start]))
	}
	ratio := (k + 1) / (k - 1)
	return fall > step*(ratio*ratio+1)
}
