package recording

import (
	"encoding/binary"
	"math"
)

const (
	history = 1 << 16 // frames that are kept, to compare a block with the one before
	slots   = 1 << 12 // marks that are kept, to find such a block
	// markShift: one frame in 64 is marked, so a block of 640 samples has no mark with probability e^−9.
	markShift = 64 - 6
	// multiplier carries every bit of a factor into the upper bits of the product (2^64 over the golden ratio; Knuth,
	// The Art of Computer Programming, 6.4).
	multiplier = 0x9e3779b97f4a7c15
	// minRepeat: shorter blocks are not reported.
	minRepeat = 64
	// maxChance: logarithm of the probability at which equal samples are not chance any more. With 10^5 distances and
	// 10^9 frames, e^−46 leaves one false alarm in 10^6 recordings.
	maxChance = -46
)

// repeat finds blocks that come a second time. Frames are marked by the content of the 64 frames up to them alone, so
// that the same samples are marked wherever they come; where a mark's content was seen before, all samples about it are
// compared at that distance.
//
// A signal without noise, as of a simulation, repeats by itself while nothing moves. It differs from a block delivered
// twice in what lies beside the equal samples: a recorder repeats all channels together, but of such a signal some, as
// the drives, go on repeating.
type repeat struct {
	frame   [history]uint64 // what is compared of frame i, at i mod history: four counts, or the hashes of two floats
	slot    [slots]struct{ key, pos uint64 }
	marks   []int64 // of this piece
	keys    []uint64
	rolling uint64 // sum of the hashes of the last 64 frames, each shifted by its age
	first   int64  // where this stretch started
	started bool

	lag, start, stop int64 // the equal frames under way; lag 0: none
	periodic         bool  // the signal itself repeats

	// Equal frames that copy the start of the recording, until enough is known of what follows them; lag 0: none.
	opening struct{ lag, start, stop int64 }
}

func (r *repeat) restart() {
	r.started, r.lag, r.rolling, r.opening.lag = false, 0, 0, 0
	clear(r.slot[:])
}

// counts takes frames of stored 16-bit counts, up to four channels of each.
func (r *repeat) counts(m *Monitor, b []byte, frame int, pos int64) {
	r.begin(pos)
	mask := ^uint64(0)
	if frame < 8 {
		mask = 1<<(8*frame) - 1
	}
	i, o, rolling := pos, 0, r.rolling
	for ; o <= len(b)-8; o += frame {
		v := binary.LittleEndian.Uint64(b[o:]) & mask
		r.frame[i&(history-1)] = v
		rolling = rolling<<1 + v*multiplier
		if rolling>>markShift == 0 {
			r.mark(rolling, i)
		}
		i++
	}
	for ; o < len(b); o += frame { // the last frames of a few channels
		var last [8]byte
		copy(last[:], b[o:o+min(frame, 8)])
		v := binary.LittleEndian.Uint64(last[:])
		r.frame[i&(history-1)] = v
		rolling = rolling<<1 + v*multiplier
		i++
	}
	r.rolling = rolling
	r.compare(m, i)
}

// floats hashes the first and the last channel.
func (r *repeat) floats(m *Monitor, a, z []float64, pos int64) {
	r.begin(pos)
	z = z[:len(a)]
	i, rolling := pos, r.rolling
	for k, v := range a {
		h := hashFloat(v)&^(1<<32-1) | hashFloat(z[k])>>32
		r.frame[i&(history-1)] = h
		rolling = rolling<<1 + h*multiplier
		if rolling>>markShift == 0 {
			r.mark(rolling, i)
		}
		i++
	}
	r.rolling = rolling
	r.compare(m, i)
}

// hashFloat mixes a float into the upper half. Few-bit numbers have all their bits at the upper end, where a product
// mixes least.
func hashFloat(v float64) uint64 {
	b := math.Float64bits(v)
	return (b ^ b>>32) * multiplier
}

func (r *repeat) begin(pos int64) {
	if !r.started {
		r.first, r.started = pos, true
	}
	r.marks, r.keys = r.marks[:0], r.keys[:0]
}

// mark keeps a frame of this piece, unless the mark before it has the same content: where nothing changes all do.
func (r *repeat) mark(key uint64, pos int64) {
	if n := len(r.keys); n == 0 || r.keys[n-1] != key {
		r.marks, r.keys = append(r.marks, pos), append(r.keys, key)
	}
}

// compare follows the equal frames under way through the piece that ends at end, and looks for new ones at its marks.
func (r *repeat) compare(m *Monitor, end int64) {
	if o := &r.opening; o.lag != 0 && end >= o.stop+minRepeat {
		if r.periodic = r.goesOn(o.stop, o.lag); !r.periodic {
			m.add(Repeated, -1, o.start, o.stop)
		}
		o.lag = 0
	}
	if r.lag != 0 {
		r.follow(m, end)
	}
	for k, pos := range r.marks {
		key := r.keys[k]
		s := &r.slot[key*multiplier>>(64-12)]
		lag := pos - int64(s.pos)
		found := s.key == key && lag > 0 && lag <= history-4096
		s.key, s.pos = key, uint64(pos)
		if !found || r.lag != 0 || pos < r.stop {
			continue
		}
		r.lag, r.start, r.stop = lag, pos, pos
		oldest := max(r.first, end-history)
		for r.start-1-lag >= oldest && r.same(r.start-1, lag) {
			r.start--
		}
		r.periodic = r.periodic || r.start-lag > oldest+minRepeat && r.goesOn(r.start-minRepeat, lag)
		r.follow(m, end)
	}
}

func (r *repeat) same(i, lag int64) bool {
	return r.frame[i&(history-1)] == r.frame[(i-lag)&(history-1)]
}

// changing is the first frame from i up to stop that is equal to the one before.
func (r *repeat) changing(i, stop int64) int64 {
	for before := r.frame[(i-1)&(history-1)]; i < stop; i++ {
		now := r.frame[i&(history-1)]
		if now == before {
			break
		}
		before = now
	}
	return i
}

// follow goes on to the end of the piece or of the equal frames, and reports them.
func (r *repeat) follow(m *Monitor, end int64) {
	for r.stop < end && r.same(r.stop, r.lag) {
		r.stop++
	}
	over := r.stop < end
	r.report(m, over)
	if over {
		r.lag = 0
	}
}

// report flags the equal frames [start, stop) if they are a repeated block. Those that copy the very start of the
// recording have no beginning to be seen: more than two copies are a periodic signal; for fewer, what follows them decides.
func (r *repeat) report(m *Monitor, over bool) {
	n := r.stop - r.start
	if r.periodic || r.opening.lag != 0 || n < minRepeat || !r.significant() {
		return
	}
	if r.start-r.lag <= r.first+minRepeat {
		switch {
		case n > 2*r.lag:
			r.periodic = true
		case over:
			r.opening.lag, r.opening.start, r.opening.stop = r.lag, r.start, r.stop
		}
		return
	}
	m.add(Repeated, -1, r.start, r.stop)
}

// goesOn tells whether a channel repeats at a distance of lag in the minRepeat frames from one on, and not at lag+1,
// where all is equal that hardly changes. Floats may differ in their last bit here and there.
func (r *repeat) goesOn(from, lag int64) bool {
	var equal, chance [4]int
	for i := from; i < from+minRepeat; i++ {
		r.compareChannels(&equal, i, i-lag)
		r.compareChannels(&chance, i, i-lag-1)
	}
	for c := range equal {
		if equal[c] >= minRepeat*3/4 && chance[c] <= minRepeat/4 {
			return true
		}
	}
	return false
}

// compareChannels counts in which channels two frames are equal: floats take two of the four.
func (r *repeat) compareChannels(equal *[4]int, i, j int64) {
	differs := r.frame[i&(history-1)] ^ r.frame[j&(history-1)]
	for c := range equal {
		if uint16(differs>>(16*c)) == 0 {
			equal[c]++
		}
	}
}

// significant tells whether so many equal frames are beyond chance. How often frames are equal by chance is seen at a
// distance of one frame more, where slow and coarse signals are as equal as they get without being repeated.
func (r *repeat) significant() bool {
	n := min(r.stop-r.start, 4096)
	equal := int64(0)
	for i := r.stop - n; i < r.stop; i++ {
		if r.same(i, r.lag+1) {
			equal++
		}
	}
	p := float64(equal+1) / float64(n+2)
	return float64(r.stop-r.start)*math.Log(p) < maxChance
}
