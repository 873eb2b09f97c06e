package recording

import (
	"encoding/binary"
	"math"
	"math/bits"
)

const (
	// fingerprint covers 32 bytes of stored counts or four samples of two channels.
	fingerprintBytes = 32
	// slots of fingerprints remembered: a block is found again up to some 100,000 samples later.
	slots = 1 << 12
	// minMatches in a row, each of other content than the one before, at one and the same distance make a repeat. Each
	// match of a fingerprint is worth at least seven bits (16 samples) even where only one in ten samples changes its code,
	// so six by chance are 2^-42, and they take some 200 samples.
	minMatches = 6
	// maxMisses: a fingerprint may have been overwritten.
	maxMisses = 4
	// multiplier carries every bit of a factor into the upper bits of the product (2^64 over the golden ratio; Knuth, TAOCP 6.4).
	multiplier = 0x9e3779b97f4a7c15
)

// repeat finds blocks that come a second time. It marks places by their content alone (one in 32, or 64), so that the same
// samples are marked wherever they come, and remembers where each content was seen last.
type repeat struct {
	shift    uint
	slot     [slots]struct{ key, pos uint64 }
	previous uint64 // key
	first    int64  // where this stretch started
	started  bool

	lag, start, stop int64 // of the matches in a row
	matches, misses  int
	periodic         bool // the signal itself repeats from its start
}

func (r *repeat) init(channels int) {
	if r.shift = 64 - 5; channels < 3 {
		r.shift = 64 - 6
	}
}

func (r *repeat) restart() {
	periodic, shift := r.periodic, r.shift
	*r = repeat{periodic: periodic, shift: shift}
}

// counts looks for marks in frames of stored 16-bit counts.
func (r *repeat) counts(m *Monitor, b []byte, frame int, pos int64) {
	r.begin(pos)
	shift := r.shift
	i := pos
	for o := 0; o+fingerprintBytes <= len(b); o += frame {
		h := binary.LittleEndian.Uint64(b[o:]) * multiplier
		if h>>shift == 0 {
			h = fold(fold(fold(h, binary.LittleEndian.Uint64(b[o+8:])), binary.LittleEndian.Uint64(b[o+16:])),
				binary.LittleEndian.Uint64(b[o+24:]))
			r.mark(m, h, i)
		}
		i++
	}
}

// floats looks for marks in the first and the last channel.
func (r *repeat) floats(m *Monitor, a, z []float64, pos int64) {
	r.begin(pos)
	z, shift := z[:len(a)], r.shift
	word := func(i int) uint64 { return math.Float64bits(a[i]) ^ bits.RotateLeft64(math.Float64bits(z[i]), 29) }
	for i := 0; i+4 <= len(a); i++ {
		h := word(i) * multiplier
		if h>>shift == 0 {
			r.mark(m, fold(fold(fold(h, word(i+1)), word(i+2)), word(i+3)), pos+int64(i))
		}
	}
}

func fold(h, x uint64) uint64 { return (bits.RotateLeft64(h, 23) ^ x) * multiplier }

func (r *repeat) begin(pos int64) {
	if !r.started {
		r.first, r.started = pos, true
	}
}

// mark takes the fingerprint at sample pos.
func (r *repeat) mark(m *Monitor, key uint64, pos int64) {
	if key == r.previous { // nothing changes: stuck, not repeated
		return
	}
	r.previous = key
	s := &r.slot[key>>(64-12)]
	lag := int64(0)
	if s.key == key {
		lag = pos - int64(s.pos)
	}
	s.key, s.pos = key, uint64(pos)
	switch {
	case lag != 0 && lag == r.lag:
		r.stop, r.misses = pos, 0
		if r.matches++; r.matches >= minMatches {
			r.judge(m, false)
		}
	case r.matches > 1 && r.misses < maxMisses:
		r.misses++
	default:
		if r.matches >= minMatches {
			r.judge(m, true)
		}
		r.lag, r.start, r.stop, r.matches, r.misses = lag, pos, pos, 1, 0
	}
}

// judge a row of matches, which may go on or be over. One that copies the very start of the recording more than twice is
// a periodic signal; until that is known nothing is said.
func (r *repeat) judge(m *Monitor, over bool) {
	if r.periodic {
		return
	}
	if r.start-r.lag < r.first+1024 {
		if r.stop-r.start > 2*r.lag {
			r.periodic = true
			return
		}
		if !over {
			return
		}
	}
	m.add(Repeated, -1, r.start, r.stop+1)
}
