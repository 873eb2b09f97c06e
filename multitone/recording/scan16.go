package recording

import (
	"encoding/binary"

	"tonepose/multitone/internal/kernel"
)

// smallCodes: below so many codes from zero a flat top looks like quantisation, and the extreme is met all the time;
// then only a new extreme is looked at.
const smallCodes = 64

// stored16 checks signed little-endian counts of 16 bits, frame after frame from pos on.
func (m *Monitor) stored16(b []byte, pos int64) {
	if m.marks != nil {
		return
	}
	frame := 2 * len(m.channels)
	m.pieces(pos, len(b)/frame, func(start, stop int, at int64) {
		piece := b[start*frame : stop*frame]
		kernel.Extremes(m.low, m.high, m.sums, piece)
		strides16(m.chances, piece, stop-start)
		m.repeat.counts(m, piece, frame, at)
		m.held.frames(m, at, stop-start, func(c, i int) float64 {
			return float64(int16(binary.LittleEndian.Uint16(piece[i*frame+2*c:])))
		})
		for c := range m.channels {
			m.channel16(c, piece, at)
		}
	})
}

// Int16 checks counts of 16 or fewer bits, all channels of a sample side by side, from sample pos on.
func (m *Monitor) Int16(d []int16, pos int64) {
	b := bytesOf(d)
	if !littleEndian {
		b, _ = binary.Append(nil, binary.LittleEndian, d)
	}
	m.stored16(b, pos)
}

// level tells whether three samples in a row are equal to lo or to hi. One of them has the index 2, 5, 8, ….
func level(at func(i int) int16, n int, lo, hi int16) bool {
	for i := 2; i < n; i += 3 {
		v := at(i)
		if v != lo && v != hi {
			continue
		}
		first, last := i, i+1
		for first > 0 && at(first-1) == v {
			first--
		}
		for last < n && at(last) == v {
			last++
		}
		if last-first >= 3 {
			return true
		}
	}
	return false
}

// channel16 goes on with a channel from the extremes and the sum of a piece.
func (m *Monitor) channel16(c int, b []byte, pos int64) {
	nc := len(m.channels)
	n := len(b) / (2 * nc)
	s := &m.channels[c]
	at := func(i int) int16 { return int16(binary.LittleEndian.Uint16(b[2*(i*nc+c):])) }
	s.means.add(pos, n, float64(m.sums[c]))
	lo, hi := float64(m.low[c]), float64(m.high[c])
	// Worth a closer look is an end code, the greatest extreme so far unless it is small and no new one, or what may be
	// a limit.
	ends := lo <= s.lowEnd || hi >= s.highEnd
	tops := lo < s.min || hi > s.max || hi >= smallCodes && hi == s.max || -lo-1 >= smallCodes && lo == s.min
	s.min, s.max = min(s.min, lo), max(s.max, hi)
	s.reach(lo, hi, pos, pos+int64(n))
	if ends || tops && level(at, n, m.low[c], m.high[c]) || s.low.due(-lo) || s.high.due(hi) {
		x := m.scratch[:n]
		for i := range x {
			x[i] = float64(at(i))
		}
		m.clipping(c, x, lo, hi, pos)
	}
	value := func(i int) float64 { return float64(at(i)) }
	if chance := &m.chances[c]; chance.runs || s.run.valid && pos-s.run.start > 1 {
		m.heldRuns(c, n, value, lo, hi, chance, pos)
	}
	m.stuck(c, n, value, lo == hi, pos)
}
