package recording

import (
	"encoding/binary"
	"math"
)

// Four 16-bit counts are judged at once in a 64-bit word, each in a lane of its own.
const (
	ones  = 0x0001000100010001 // the lowest bit of every lane
	signs = 0x8000800080008000
	evens = 0x0000ffff0000ffff
	// smallCodes: below so many codes from zero a flat top cannot be told from quantisation, and the extreme is met all
	// the time; then only a new extreme is suspicious.
	smallCodes = 64
)

// lane is what a piece shows in one of the places that a channel takes in the words.
type lane struct {
	changed, reached   bool
	negative, positive bool
	first              int16
}

// stored16 judges stored little-endian counts of 16 bits, frame after frame from pos on.
func (m *Monitor) stored16(b []byte, typ sampleType, pos int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	frame := 2 * len(m.channels)
	n := len(b) / frame
	flip := uint64(0)
	if typ.kind == 'u' {
		flip = signs
	}
	for done := m.unseen(pos, n); done < n; {
		at := pos + int64(done)
		count := min(n-done, m.piece-int(at%int64(m.piece)))
		m.piece16(b[done*frame:(done+count)*frame], flip, at)
		done += count
		m.next = at + int64(count)
	}
}

// counts16 judges counts in memory.
func (m *Monitor) counts16(d []int16, pos int64) {
	if littleEndian {
		m.stored16(bytesOf(d), sampleType{kind: 'i', size: 2}, pos)
		return
	}
	b := make([]byte, 2*len(d))
	for i, v := range d {
		binary.LittleEndian.PutUint16(b[2*i:], uint16(v))
	}
	m.stored16(b, sampleType{kind: 'i', size: 2}, pos)
}

// piece16 judges a piece. Words whose places hold the same channels are a period apart; each such set is one pass.
func (m *Monitor) piece16(b []byte, flip uint64, pos int64) {
	nc := len(m.channels)
	n := len(b) / (2 * nc)
	period := nc / gcd(nc, 4)
	words := len(b) / 8 / period * period // whole periods; the rest, less than a period, one by one
	if m.lanes == nil {
		m.lanes = make([]lane, 4*period)
	}
	clear(m.sums) // whole numbers below 2^53
	if words > 0 {
		for p := range period {
			m.pass16(b[:8*words], p, period, flip)
		}
	}
	for c := range nc {
		m.settle16(c, b, 8*words, n, flip, pos)
	}
	m.repeat.counts(m, b, 2*nc, pos)
}

// pass16 goes through the words p, p+period, …: sums, whether anything changed, and whether a sample reached the limit
// from which its channel is suspicious.
func (m *Monitor) pass16(b []byte, p, period int, flip uint64) {
	lanes := m.lanes[4*p : 4*p+4]
	// What carries into a lane's sign when its magnitude reaches the limit, above zero and, differing, below.
	var above, differ uint64
	for j := range lanes {
		high, low := m.channels[(4*p+j)%len(m.channels)].limits16()
		carryHigh, carryLow := 0x8000-uint64(high), 0x8000-uint64(low)
		above |= carryHigh << (16 * j)
		differ |= (carryHigh ^ carryLow) << (16 * j)
	}
	first := binary.LittleEndian.Uint64(b[8*p:]) ^ flip
	even, odd := sumLanes(b[8*p:], 8*period, flip^signs)
	changed, reached := watchLanes(b[8*p:], 8*period, flip, first, above, differ)
	count := float64((len(b)/8 - p + period - 1) / period)
	for j := range lanes {
		at := 16 * j
		l := &lanes[j]
		l.changed = changed>>at&0xffff != 0
		l.reached = reached>>at&0x8000 != 0
		l.first = int16(first >> at)
		bothSigns := changed>>at&0x8000 != 0
		l.negative, l.positive = bothSigns || l.first < 0, bothSigns || l.first >= 0
		half := even
		if j%2 == 1 {
			half = odd
		}
		m.sums[(4*p+j)%len(m.channels)] += float64(half>>(32*(j/2))&0xffffffff) - 0x8000*count
	}
}

// sumLanes adds up the lanes of every word, step bytes apart: the first and third in the halves of even, the second and
// fourth in those of odd. Two short loops, kept apart by noinline, hold all they need in registers; one for all does
// not.
//
//go:noinline
func sumLanes(b []byte, step int, flip uint64) (even, odd uint64) {
	mask := uint64(evens)
	for o := 0; o <= len(b)-8; o += step {
		u := binary.LittleEndian.Uint64(b[o:]) ^ flip
		even += u & mask
		odd += u >> 16 & mask
	}
	return even, odd
}

// watchLanes tells in the lanes of changed which bits are not always those of first, and in the signs of reached whether
// a magnitude (x, or −x−1 below zero) carried when above was added, or below zero above^differ.
//
//go:noinline
func watchLanes(b []byte, step int, flip, first, above, differ uint64) (changed, reached uint64) {
	one := uint64(ones)
	for o := 0; o <= len(b)-8; o += step {
		x := binary.LittleEndian.Uint64(b[o:]) ^ flip
		changed |= x ^ first
		negative := x >> 15 & one
		negative = negative<<16 - negative // all bits of a negative lane
		reached |= (x ^ negative) + (above ^ negative&differ)
	}
	return changed, reached
}

// limits16 are the magnitudes from which a sample is worth a closer look: the end codes, and the extremes so far (a new
// one, or unless they are small the same again: a flat top). Below zero the magnitude is −x−1.
func (s *channelState) limits16() (high, low int) {
	high, low = int(s.highEnd), int(-s.lowEnd)-1
	limit := func(end int, seen float64) int {
		if math.IsInf(seen, 0) || seen < 0 {
			return 1 // settle16 sees to such channels
		}
		if seen < smallCodes {
			seen++
		}
		return min(end, int(seen))
	}
	return limit(high, s.max), limit(low, -s.min-1)
}

// settle16 joins what the lanes of a channel show, and the samples from byte rest on, and looks closer where needed.
func (m *Monitor) settle16(c int, b []byte, rest, n int, flip uint64, pos int64) {
	nc := len(m.channels)
	s := &m.channels[c]
	at := func(i int) int16 { return int16(binary.LittleEndian.Uint16(b[2*(i*nc+c):]) ^ uint16(flip)) }
	first := at(0)
	sum := m.sums[c]
	constant, suspicious, oneSided := true, rest == 0, false
	if rest > 0 {
		negative, positive := false, false
		for k := c; k < len(m.lanes); k += nc {
			l := &m.lanes[k]
			constant = constant && !l.changed && l.first == first
			suspicious = suspicious || l.reached
			negative = negative || l.negative
			positive = positive || l.positive
		}
		suspicious = suspicious || negative && s.min >= 0 || positive && s.max < 0
		oneSided = !negative || !positive
	}
	for i := (rest/2 + nc - 1 - c) / nc; i < n; i++ { // after the last whole period
		v := at(i)
		sum += float64(v)
		constant = constant && v == first
		suspicious = suspicious || float64(v) > s.max || float64(v) < s.min ||
			float64(v) >= s.highEnd || float64(v) <= s.lowEnd
	}
	s.means.add(pos, n, sum)
	switch {
	case oneSided && !suspicious: // the magnitude says nothing of the extreme on the side of zero
		lo, hi := first, first
		for i := 0; i < n && !constant; i++ {
			v := at(i)
			lo, hi = min(lo, v), max(hi, v)
		}
		s.min, s.max = min(s.min, float64(lo)), max(s.max, float64(hi))
	case suspicious:
		x := m.scratch[:n]
		lo, hi := math.Inf(1), math.Inf(-1)
		for i := range x {
			v := float64(at(i))
			x[i] = v
			lo, hi = min(lo, v), max(hi, v)
		}
		s.min, s.max = min(s.min, lo), max(s.max, hi)
		m.clipping(c, x, lo, hi, pos)
	}

	last, lead, tail := at(n-1), n, n
	if !constant {
		for lead = 0; s.run.valid && float64(at(lead)) == s.run.value; lead++ {
		}
		for tail = 1; at(n-1-tail) == last; tail++ {
		}
	} else if s.run.valid && s.run.value != float64(first) {
		lead = 0
	}
	m.steady(c, float64(last), lead, tail, n, pos)
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}
