package clock

import (
	"math"

	"gonum.org/v1/gonum/floats"

	"tonepose/multitone"
)

// room is memory that fits and looks use again.
type room struct {
	x, y, w, square            []float64
	own, weights, driftWeights []float64
	better, known              []float64
	fits                       []parabola
	steps                      steps
	blocks                     []block
	segments                   []segment
}

// zeroed are n values of a memory, all zero.
func zeroed[T any](memory *[]T, n int) []T {
	if cap(*memory) < n {
		*memory = make([]T, n)
	}
	*memory = (*memory)[:n]
	clear(*memory)
	return *memory
}

// block is one for so many tones, with nothing in it.
func (r *room) block(tones int) block {
	n := len(r.blocks)
	if n == 0 {
		return block{phasor: make([]complex128, tones), weight: make([]float64, tones)}
	}
	b := r.blocks[n-1]
	r.blocks = r.blocks[:n-1]
	clear(b.phasor)
	clear(b.weight)
	return block{phasor: b.phasor, weight: b.weight}
}

// segment is one for so many tones, with nothing in it.
func (r *room) segment(tones int) segment {
	n := len(r.segments)
	if n == 0 {
		values := make([]float64, 5*tones)
		next := func() []float64 {
			v := values[:tones:tones]
			values = values[tones:]
			return v
		}
		return segment{offsets: next(), sigmas: next(), drifts: next(), cycles: next(), ahead: next(), measured: make([]bool, tones)}
	}
	s := r.segments[n-1]
	r.segments = r.segments[:n-1]
	for _, v := range [][]float64{s.offsets, s.sigmas, s.drifts, s.cycles, s.ahead} {
		clear(v)
	}
	clear(s.measured)
	return segment{offsets: s.offsets, sigmas: s.sigmas, drifts: s.drifts, cycles: s.cycles, ahead: s.ahead, measured: s.measured}
}

// harmonicMean is that of stat.HarmonicMean to the last bit, in memory for as many
// values.
func harmonicMean(x, memory []float64) float64 {
	for i, v := range x {
		memory[i] = -math.Log(v)
	}
	return math.Exp(math.Log(float64(len(x))) - floats.LogSumExp(memory[:len(x)]))
}

// offShare of its amplitude is what a drive that is off may still show: crosstalk, and
// what other tones on its channel leave there in a block.
const offShare = 0.01

// Expect tells the amplitudes [V] that the drives should have, as far as they are known;
// 0: not. One a hundred times weaker is lost.
func (t *Tracker) Expect(volts []float64) {
	t.least = make([]float64, len(t.tones))
	for i := range min(len(volts), t.asked) {
		t.least[i] = offShare * offShare * volts[i] * volts[i]
	}
}

// Look returns what Track would, in memory that the next Look and Forget overwrite: for
// who follows a stream. A tone that was lost last is taken to be lost until it is seen
// again.
func (t *Tracker) Look() (*Track, error) {
	c := t.look
	if c == nil {
		c = &Tracker{room: &room{}}
		t.look = c
	}
	own := *c
	own.room.blocks = append(own.room.blocks, own.segment...)
	own.room.segments = append(own.room.segments, own.track.segments[own.looked:]...)
	*c = *t
	c.look, c.room, c.collectors = nil, own.room, own.collectors
	c.groups = append(own.groups[:0], t.groups...)
	c.offset = append(own.offset[:0], t.offset...)
	c.segment = own.segment[:0]
	for i := range t.segment {
		b := own.room.block(len(t.tones))
		t.segment[i].copyTo(&b)
		c.segment = append(c.segment, b)
	}
	c.track.segments = append(own.track.segments[:0], t.track.segments...)
	c.looked = len(t.track.segments)
	c.track.Lost = append(own.track.Lost[:0], t.track.Lost...)
	c.track.Slips = append(own.track.Slips[:0], t.track.Slips...)
	c.slips.odd, c.slips.own = nil, own.slips.own
	for i := range t.slips.odd {
		c.slips.odd = append(c.slips.odd, *t.slips.odd[i].clone())
	}
	if _, err := c.finish((*multitone.Bank).Waiting); err != nil {
		return nil, err
	}
	for i := range c.track.Lost {
		if l := &c.track.Lost[i]; l.Stop >= c.fed/int64(max(c.length, 1))*int64(c.length) {
			l.Stop = math.MaxInt64
		}
	}
	c.view = c.track
	c.view.nominal = c.view.nominal[:c.asked]
	return &c.view, nil
}

// Skip passes over samples that are not written, up to number to: what was found stands.
func (t *Tracker) Skip(to int64) error {
	if t.mode == None {
		return nil
	}
	if !t.primed { // these samples do not go on
		t.begin = to
		for i := range t.groups {
			t.groups[i].prime = t.groups[i].prime[:0]
		}
	}
	t.fed = to
	for i := range t.groups {
		t.groups[i].bank.Skip(to)
	}
	return nil
}
