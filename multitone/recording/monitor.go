package recording

import (
	"fmt"
	"math"
	"math/bits"
	"sort"
	"strings"
	"sync"
)

// Flags are the faults of a stretch of samples.
type Flags uint8

// The faults, in the order in which tables name them.
const (
	Clipped  Flags = 1 << iota // at the end of the converter's range, or a flat top
	Gap                        // samples lost, not finite, or held on all channels
	Repeated                   // a block delivered twice
	Stuck                      // no change for StuckSamples, or for longer than chance allows
	Burst                      // off the signal by more than its noise; found by who knows the tones, see Monitor.Burst
)

var flagNames = []string{"clipped", "gap", "repeated", "stuck", "burst"}

// String joins the names by semicolons; empty if there is no fault.
func (f Flags) String() string {
	var names []string
	for i, name := range flagNames {
		if f>>i&1 != 0 {
			names = append(names, name)
		}
	}
	return strings.Join(names, ";")
}

// StuckSamples is how long a channel may stay on one value before it counts as stuck. White noise of rms σ in units of
// the converter's step keeps to one code, at worst, with probability p = erf(1/(2√2 σ)) from sample to sample. At
// σ = 0.18, p^4096 = 1.7e-10, and a day at 100 kHz has 5e7 changes of code: one false alarm in a hundred such days. A
// channel with less noise than that is not dithered, and averaging brings nothing out of it. A drive channel that is
// digitally silent is stuck, and rightly so.
const StuckSamples = 4096

// Event is one fault. Samples [Start, Stop) are affected; for samples lost by the recorder Start = Stop is the first
// sample after the gap. Faults nearer to each other than 64 samples are one event.
type Event struct {
	Kind        Flags
	Channel     int // −1: all
	Start, Stop int64
}

// Channel is what a Monitor says of one channel, in units of the blocks (volts, or full scale).
type Channel struct {
	Name       string
	Min, Max   float64
	DC         float64 // mean
	Drift      float64 // change of the mean from start to end, by a straight line
	DriftSigma float64 // its standard deviation, from how the means of up to 128 stretches scatter about the line
	Clipped    int64   // samples
	NonFinite  int64   // samples
	Stuck      int64   // samples, of stretches of at least StuckSamples
}

// Monitor checks the samples of a recording as they pass, without knowing any tone or how long it will be. It looks at
// the details of a block only where its extremes give reason to. Give it to Reader.Watch, or feed it blocks with Planar or
// Int16; its methods may be called meanwhile from other goroutines. Memory is bounded.
//
// A run of equal samples that ends in a jump was held by the recorder if it is longer than chance allows: on all channels
// (a gap) from about ten samples on, on one (stuck) from 16 or more, by how often neighbours are equal otherwise.
//
// Integers are clipped at the end codes. Integers and floats are clipped where three or more samples are equal at the
// extreme of a stretch, between flanks that no smooth peak under this quantisation has; and where crests end at the
// channel's extreme time and again that would have been higher by different amounts, see limit. A block is repeated when it is
// equal, beyond chance, to one at most 61,440 samples before, in the first four channels of 16-bit counts, or the first
// and last of others. A signal that repeats by itself, as one simulated without noise does while nothing moves, is not
// called repeated: it does so from the start of the recording and more than twice, or one of the channels that are
// compared, as a drive, goes on repeating beside the equal samples.
type Monitor struct {
	mu       sync.Mutex
	info     Info
	piece    int64 // samples looked at together, a power of two
	even     bool  // see InBlocks
	next     int64
	channels []channelState
	faults   []fault // by kind, then channel
	unsound  []spans // of all channels, then of each
	slips    spans   // where the time line breaks
	held     heldFrames
	repeat   repeat
	scratch  []float64
	low      []int16 // of a piece of counts, one a channel
	high     []int16
	sums     []int64
	chances  []chances
	marks    []Mark // see NewMarks; nil: the samples are checked
}

// fault is one kind of fault on one channel, or on all (−1).
type fault struct {
	kind    Flags
	channel int
	spans
}

// channelState is what is kept of a channel.
type channelState struct {
	min, max           float64 // in stored units
	lowEnd, highEnd    float64 // end codes; infinite for floats
	size               float64 // of a stored unit in the blocks' units
	run                run
	low, high          limit
	clipped, nonFinite int64
	bursts             int64
	usual              float64 // how far from zero the channel reaches
	reached            spans   // where it reaches farther
	means              means
}

// NewMonitor makes a Monitor for the recording that info describes. Gaps between its captures are flagged at once.
func NewMonitor(info Info) *Monitor {
	m := &Monitor{info: info, piece: 4096, channels: make([]channelState, info.Channels)}
	for m.piece > 64 && m.piece*int64(info.Channels)*2 > 32<<10 { // what the nearest cache holds
		m.piece /= 2
	}
	for k := range flagNames {
		for c := -1; c < info.Channels; c++ {
			m.faults = append(m.faults, fault{kind: 1 << k, channel: c})
		}
	}
	m.slips.slack = 1
	m.unsound = make([]spans, info.Channels+1)
	for k := range m.unsound {
		m.unsound[k].slack = 1
	}
	m.scratch, m.sums = make([]float64, m.piece), make([]int64, info.Channels)
	m.low, m.high = make([]int16, info.Channels), make([]int16, info.Channels)
	m.chances = make([]chances, info.Channels)
	for c := range m.channels {
		s := &m.channels[c]
		s.min, s.max, s.size = math.Inf(1), math.Inf(-1), 1
		s.lowEnd, s.highEnd = math.Inf(-1), math.Inf(1)
		s.low, s.high = newLimit(0), newLimit(0)
		if info.Integer {
			s.low, s.high = newLimit(1), newLimit(1)
			s.size = info.Scale[c]
			typ, _ := parseDatatype(info.Datatype)
			bits := 8 * typ.size
			s.lowEnd = -math.Ldexp(1, bits-1)
			s.highEnd = math.Ldexp(1, bits-1) - math.Ldexp(1, bits-info.Bits)
		}
	}
	for _, c := range info.Captures {
		if c.Missing > 0 {
			m.Slip(c.Start, c.Start)
		}
	}
	return m
}

// InBlocks has the Monitor cut pieces to look at out of each block that it is given, evenly: of blocks
// that always have the same places, as of a stream. Else pieces have places of their own, whatever the blocks are.
func (m *Monitor) InBlocks() { m.even = true }

// Flags of samples [start, stop) of a channel; channel −1 asks for any.
func (m *Monitor) Flags(channel int, start, stop int64) (f Flags) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for k := range m.faults {
		s := &m.faults[k]
		if (channel == -1 || s.channel == -1 || s.channel == channel) && s.overlap(start, stop) {
			f |= s.kind
		}
	}
	return f
}

// Events lists the faults found so far and not forgotten, by kind, then channel, then sample.
func (m *Monitor) Events() (events []Event) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, f := range m.faults {
		for _, s := range f.list {
			events = append(events, Event{f.kind, f.channel, s.start, s.stop})
		}
	}
	return events
}

// Channels says what was seen of each channel so far.
func (m *Monitor) Channels() []Channel {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := make([]Channel, len(m.channels))
	for c := range out {
		s := &m.channels[c]
		dc, drift, sigma := s.means.line()
		out[c] = Channel{Name: m.info.Names[c], Min: s.min * s.size, Max: s.max * s.size, DC: dc * s.size,
			Drift: drift * s.size, DriftSigma: sigma * s.size, Clipped: s.clipped, NonFinite: s.nonFinite}
		_, out[c].Stuck, _ = m.fault(Stuck, c).total()
	}
	return out
}

// Summary is one line for each kind of fault on each channel; none if all is well.
func (m *Monitor) Summary() (text []string) {
	channels := m.Channels()
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, f := range m.faults {
		count, samples, first := f.total()
		if count == 0 {
			continue
		}
		who := "all channels"
		if f.channel >= 0 {
			c := channels[f.channel]
			who = c.Name
			switch f.kind {
			case Clipped:
				samples = c.Clipped
			case Gap:
				samples = c.NonFinite
			case Burst:
				samples = m.channels[f.channel].bursts
			}
		}
		line := fmt.Sprintf("%s: %s", who, f.kind)
		if samples > 0 {
			line += ", " + plural(int(samples), "sample")
		}
		text = append(text, fmt.Sprintf("%s in %s, first at %.6g s (sample %d)", line, plural(count, "place"),
			m.info.Time(first), first))
	}
	return text
}

// Forget drops the faults that end before a sample, so that a stream without end takes bounded memory. Flags and Events
// know them no longer; Channels and Summary count them still. What may go on yet is kept.
func (m *Monitor) Forget(before int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for k := range m.faults {
		s := &m.faults[k]
		to := min(before, m.next-s.slack)
		if s.kind == Repeated && m.repeat.lag != 0 {
			to = min(to, m.repeat.start-s.slack)
		}
		if s.kind == Stuck && s.channel >= 0 && m.channels[s.channel].run.valid {
			to = min(to, m.channels[s.channel].run.start-s.slack)
		}
		s.forget(to)
	}
	for k := range m.unsound {
		m.unsound[k].forget(before)
	}
	m.slips.forget(before)
	for c := range m.channels {
		m.channels[c].reached.forget(before)
	}
}

// fault of one kind; the lock is held, or the Monitor is not shared yet.
func (m *Monitor) fault(kind Flags, channel int) *fault {
	return &m.faults[bits.TrailingZeros8(uint8(kind))*(len(m.channels)+1)+channel+1]
}

func (m *Monitor) add(kind Flags, channel int, start, stop int64) {
	m.fault(kind, channel).add(span{start, stop})
	if (kind == Gap || kind == Stuck) && start < stop {
		m.unsound[channel+1].add(span{start, stop})
	}
}

// Slip notes that somewhere in samples [start, stop), or right before start = stop,
// some were lost or came twice: it flags a gap.
func (m *Monitor) Slip(start, stop int64) {
	if m.marks != nil { // as for Lost
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.fault(Gap, -1).add(span{start, stop})
	m.slips.add(span{start, stop})
}

// Slipped tells whether the time line breaks in samples [start, stop).
func (m *Monitor) Slipped(start, stop int64) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.slips.overlap(start, stop)
}

// Slips goes through the places within samples [start, stop) where the time line breaks.
func (m *Monitor) Slips(start, stop int64, use func(start, stop int64)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, s := range m.slips.list {
		if s.start < stop && start <= s.stop {
			use(s.start, s.stop)
		}
	}
}

// Burst notes that samples [start, stop) of a channel stood out of its noise and were
// left out.
func (m *Monitor) Burst(c int, start, stop int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.channels[c].bursts += stop - start
	m.fault(Burst, c).add(span{start, stop})
}

const (
	// A channel that reaches so many times farther than it used to may have a burst. What
	// it is used to grows by usualGrowth a piece at most, as of a sensor that moves.
	farReach    = 1.25
	usualGrowth = 1.1
)

// reach follows how far from zero a channel reaches, in the piece [start, stop).
func (s *channelState) reach(lo, hi float64, start, stop int64) {
	far := max(-lo, hi)
	if s.usual > 0 && far > farReach*s.usual {
		s.reached.add(span{start, stop})
		far = min(far, usualGrowth*s.usual)
	}
	s.usual = far
}

// Reached tells whether a channel reached farther from zero in samples [start, stop) than
// it used to: where a burst may be.
func (m *Monitor) Reached(c int, start, stop int64) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.channels[c].reached.overlap(start, stop)
}

// Unsound goes through the stretches within samples [start, stop) of a channel that tell
// nothing of its signal: not finite, held or stuck. They may overlap. A block that came twice
// does: all channels show it as it was.
func (m *Monitor) Unsound(channel int, start, stop int64, use func(start, stop int64)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, k := range []int{0, channel + 1} {
		list := m.unsound[k].list
		i := sort.Search(len(list), func(i int) bool { return list[i].stop > start })
		for ; i < len(list) && list[i].start < stop; i++ {
			use(max(list[i].start, start), min(list[i].stop, stop))
		}
	}
}

// Lost notes that samples [start, stop) of all channels were lost, and that others stand in their place. They are not
// checked.
func (m *Monitor) Lost(start, stop int64) {
	if m.marks != nil { // who reads ahead is told by the source
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.add(Gap, -1, start, stop)
}

// NonFinite notes samples [start, stop) of a channel that were not finite; call it before the block is
// checked.
func (m *Monitor) NonFinite(c int, start, stop int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.marks != nil {
		m.mark(c, start, stop)
		return
	}
	if start = max(start, m.next); start < stop {
		m.channels[c].nonFinite += stop - start
		m.add(Gap, c, start, stop)
	}
}

// pieces gives check the samples [pos, pos+n) that were not checked yet, in pieces [start, stop) of the block; at is the
// sample at start. After a jump the running states start anew.
func (m *Monitor) pieces(pos int64, n int, check func(start, stop int, at int64)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.marks != nil {
		return
	}
	if pos > m.next {
		for c := range m.channels {
			m.channels[c].run = run{}
		}
		m.repeat.restart()
		m.held.valid = false
		m.next = pos
	}
	for stop := pos + int64(n); m.next < stop; {
		at := m.next
		count := min(stop-at, m.piece-at%m.piece)
		if m.even {
			count = (stop - at) / ((stop - at + m.piece - 1) / m.piece)
		}
		check(int(at-pos), int(at-pos+count), at)
		m.next += count
	}
}
