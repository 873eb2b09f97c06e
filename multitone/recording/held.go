package recording

import (
	"encoding/binary"
	"math"
)

// A recorder that loses samples may fill in zeros or hold the last value. Then a
// channel stays on one value for longer than chance allows, and jumps when it is over.
const (
	// heldStride: of a run of twice as many samples less one, two that are as far apart
	// have an index that is a multiple of it.
	heldStride = 8
	// minHeld is the shortest run on a single channel that is reported.
	minHeld = 2 * heldStride
	// heldJump is the least change of a channel as the run ends, in the smallest steps that
	// the piece shows. Signals of a few codes, as of a bench that is switched off, stay on
	// one in ways that no chance describes.
	heldJump = 8
)

// heldFrames follows how long all channels have not changed.
type heldFrames struct {
	start  int64 // of the equal frames under way
	valid  bool
	starts float64 // how often frames became equal, of so many that differed
	differ float64
	equal  float64 // frames that were equal to the one before
}

// frames looks for equal frames among those of a piece [at, at+n), as repeat has
// them, for runs that are over and longer than chance allows. value is that of a channel
// at a sample of the piece.
func (h *heldFrames) frames(m *Monitor, at int64, n int, value func(c, i int) float64) {
	if len(m.channels) == 1 {
		return // see heldRuns
	}
	r := &m.repeat
	if !h.valid {
		h.start, h.valid = at, true
	}
	stop := at + int64(n)
	for i := max(at, h.start+1); i < stop; {
		if r.same(i, 1) {
			i++
			continue
		}
		h.differ++
		if length := i - h.start; length > 1 {
			h.starts++
			h.equal += float64(length - 1)
			// Independent frames that are equal to the one before with probability p are so
			// length − 1 times in a row with p^(length−1). Where half of all are equal the signal
			// itself keeps still for a while, as a square wave.
			chance := float64(length-1) * math.Log((h.starts+1)/(h.differ+2))
			if chance < maxChance && length < StuckSamples && h.equal < h.differ {
				if from, to := int(max(h.start-at, 0)), int(i-at); m.keepsStill(from, to, value) && m.jumps(to, n, value) {
					m.add(Gap, -1, h.start, i)
				}
			}
		}
		next := r.changing(i+1, stop)
		h.differ += float64(next - i - 1)
		h.start, i = next-1, next
	}
	if h.differ > 1<<16 { // follows what changes
		h.starts, h.differ, h.equal = h.starts/2, h.differ/2, h.equal/2
	}
}

// keepsStill tells whether no channel changes within samples [from, to) of a piece.
func (m *Monitor) keepsStill(from, to int, value func(c, i int) float64) bool {
	for c := range m.channels {
		for i := from + 1; i < to; i++ {
			if value(c, i) != value(c, i-1) {
				return false
			}
		}
	}
	return true
}

// jumps tells whether a channel changes much at sample i of a piece of n.
func (m *Monitor) jumps(i, n int, value func(c, i int) float64) bool {
	for c := range m.channels {
		s := &m.channels[c]
		before := s.run.value * s.size // the piece before ends with it
		if i > 0 {
			before = value(c, i-1)
		} else if !s.run.valid {
			continue
		}
		if jumps(before, i, n, func(i int) float64 { return value(c, i) }) {
			return true
		}
	}
	return false
}

// jumps tells whether a channel changes much from a value to sample i of a piece, or
// one of the three after it.
func jumps(before float64, i, n int, at func(i int) float64) bool {
	step := math.Inf(1)
	for k := 1; k < n; k++ {
		if d := math.Abs(at(k) - at(k-1)); d > 0 {
			step = min(step, d)
		}
	}
	far := 0.0
	for k := i; k < min(i+4, n); k++ {
		far = max(far, math.Abs(at(k)-before))
	}
	return far >= heldJump*step
}

// heldRuns looks for runs of equal samples in a piece of one channel whose value is not
// one of its extremes: those are clipped.
func (m *Monitor) heldRuns(c, n int, at func(i int) float64, lo, hi float64, chance *chances, pos int64) {
	report := func(start int64, stop int, v float64) {
		length := pos + int64(stop) - start
		if length < minHeld || length >= StuckSamples || v == lo || v == hi || float64(length-1)*math.Log(chance.each()) > maxChance {
			return
		}
		known := m.unsound[0].overlap(start+1, pos+int64(stop)) || m.unsound[c+1].overlap(start+1, pos+int64(stop))
		if !known && jumps(v, stop, n, at) {
			m.add(Stuck, c, start, pos+int64(stop))
		}
	}
	i := 0
	if r := &m.channels[c].run; r.valid {
		for i < n && at(i) == r.value {
			i++
		}
		if i < n {
			report(r.start, i, r.value)
		}
	}
	continued := i
	for i = (i + heldStride - 1) / heldStride * heldStride; i+heldStride <= n; i += heldStride {
		v := at(i)
		if v != at(i+heldStride-1) {
			continue
		}
		start, stop := i, i
		for start > 0 && at(start-1) == v {
			start--
		}
		for stop < n && at(stop) == v {
			stop++
		}
		if stop == n {
			return // the next piece goes on with it
		}
		if start >= continued {
			report(pos+int64(start), stop, v)
		}
		if stop > i {
			i = (stop - 1) / heldStride * heldStride
		}
	}
}

// chances are what every heldStride-th sample shows of equal neighbours.
type chances struct {
	differ, begin, goOn int  // samples unlike the one before; those of them like the next; and like the one after it
	runs                bool // a run of minHeld may be among them
}

// each is the probability that a sample is equal to the one before, once one is.
func (s *chances) each() float64 {
	p := (float64(s.begin) + 1) / (float64(s.differ) + 2)
	if s.begin >= 10 { // near a slow peak more of them follow than of independent samples
		p = max(p, (float64(s.goOn)+1)/(float64(s.begin)+2))
	}
	return p
}

// strides looks at every heldStride-th of n samples.
func strides(at func(i int) float64, n int) (s chances) {
	for i := heldStride; i+heldStride <= n; i += heldStride {
		v := at(i)
		s.runs = s.runs || v == at(i+heldStride-1)
		if v == at(i-1) {
			continue
		}
		s.differ++
		if v == at(i+1) {
			if s.begin++; v == at(i+2) {
				s.goOn++
			}
		}
	}
	return s
}

// strides16 is strides for n samples of stored counts of 16 bits, all channels of a
// sample side by side, a result each.
func strides16(all []chances, b []byte, n int) {
	clear(all)
	for c := range all {
		all[c].differ = max(n/heldStride-1, 0) // but for those counted below
	}
	frame := 2 * len(all)
	for i := heldStride; i+heldStride <= n; i += heldStride {
		before, at := b[(i-1)*frame:][:frame], b[i*frame:][:frame]
		after, far := b[(i+1)*frame:][:frame], b[(i+heldStride-1)*frame:][:frame]
		for c := 0; c < len(all); {
			for len(all)-c >= 4 { // four channels at once, where nothing is equal
				v := binary.LittleEndian.Uint64(at[2*c:])
				if anyZero16(v^binary.LittleEndian.Uint64(before[2*c:])) || anyZero16(v^binary.LittleEndian.Uint64(after[2*c:])) ||
					anyZero16(v^binary.LittleEndian.Uint64(far[2*c:])) {
					break
				}
				c += 4
			}
			for to := min(c+4, len(all)); c < to; c++ {
				s, v := &all[c], binary.LittleEndian.Uint16(at[2*c:])
				s.runs = s.runs || v == binary.LittleEndian.Uint16(far[2*c:])
				if v == binary.LittleEndian.Uint16(before[2*c:]) {
					s.differ--
					continue
				}
				if v == binary.LittleEndian.Uint16(after[2*c:]) {
					if s.begin++; v == binary.LittleEndian.Uint16(b[(i+2)*frame+2*c:]) {
						s.goOn++
					}
				}
			}
		}
	}
}

// anyZero16 tells whether any 16 bits of v are all zero (Warren, Hacker's Delight,
// section 6-1, for bytes; not checked against the original).
func anyZero16(v uint64) bool {
	const ones, tops = 0x0001000100010001, 0x8000800080008000
	return (v-ones)&^v&tops != 0
}
