package multitone

import (
	"math"
	"slices"

	"tonepose/multitone/internal/kernel"
	lowpass "tonepose/multitone/window"
)

const (
	// Samples of a block: fewer are not worth it, more need more moments.
	leastBlock, mostBlock = 16, 128
	// Samples from one output to the next at most: blocks are listed between them.
	mostEvery = 1 << 24
	// Moments a block carries at most, and what may be missing of its weighting
	// in either precision: −160 and −280 dB.
	mostDegree                = 10
	singleMissing, allMissing = 1e-8, 1e-14
)

// blocks is an engine that works at block rate, for low-passes that are a memory.
//
// A few moments of the past hold all that a filter's outputs will ever need: of a
// cascade S_j = Σ aᵘ·(b·μ)ʲ·x·e^{−jωt}. What a block adds to them follows from its
// plain moments Σ x·uᵈ·e^{−jωu}, sums over samples that the framed kernels compute, by
// power series; how many are needed follows from the block's length times the
// memory's rate. Modes share these sums: what is wrong with one of them reaches an output
// by the low-pass's own response or a derivative of it, however much the modes cancel.
type blocks struct {
	channels, tones, groups int
	memory                  memory
	lengths                 []int // of the blocks between two rows
	at                      int   // the block that comes next
	precision               Precision
	omega                   []float64
	kinds                   map[int]summer    // by the blocks' lengths: their moments
	steps                   []*kernel.Cascade // to each of the blocks from the one before
	newest                  []complex128      // by tone: what the newest sample is multiplied by beside the memory
	state                   []complex128
	results                 []complex128
	pendingCounts           cutter[int16]
	pendingFloats           cutter[float64]
	rawRows
}

// newBlocks returns nil where blocks do not pay.
func newBlocks(c *Config, l *lowpass.LowPass, a Averaging) *blocks {
	m := newMemory(l, c.SampleRate)
	if m == nil || a.Every < leastBlock || a.Every > mostEvery {
		return nil
	}
	e := &blocks{channels: c.Channels, tones: len(c.Tones), memory: m, precision: a.Precision, rawRows: plainRows(c)}
	e.groups = (e.tones + kernel.Lanes - 1) / kernel.Lanes
	for count := (a.Every + mostBlock - 1) / mostBlock; ; count++ {
		length := (a.Every + count - 1) / count
		if length < leastBlock {
			return nil
		}
		if e.degree(length, Double) > mostDegree {
			continue
		}
		for i := range count {
			e.lengths = append(e.lengths, a.Every*(i+1)/count-a.Every*i/count)
		}
		break
	}
	e.lag[0] = float64(e.lengths[len(e.lengths)-1]-1) / 2
	e.size = e.groups * kernel.Lanes * e.channels
	e.state = make([]complex128, e.size*e.memory.size())
	e.stride, e.step = e.size, kernel.Lanes
	for k := range e.offset {
		e.offset[k] = k/kernel.Lanes*e.channels*kernel.Lanes + k%kernel.Lanes
	}
	return e
}

// degree is the highest moment that a block of this length needs.
func (e *blocks) degree(length int, p Precision) int {
	missing := allMissing
	if p == Single {
		missing = singleMissing
	}
	// aᵘ = e^{αu} with |u| ≤ L/2; the mean of the first term left out, which
	// counts for the moment 0 and less for the others.
	x := e.memory.rate() * float64(length) / 2
	term := 1.0
	for d := 1; ; d++ {
		term *= x / float64(d)
		if term/float64(d+1) < missing && d > e.memory.least() {
			return d - 1
		}
	}
}

func (e *blocks) tune(omega []float64) {
	e.omega = omega
	degree := e.degree(slices.Max(e.lengths), e.precision)
	e.kinds = map[int]summer{}
	for _, n := range e.lengths {
		if e.kinds[n] == nil {
			e.kinds[n] = e.newMomentSums(n, degree)
		}
		e.results = make([]complex128, e.kinds[n].Size()) // the same for all
	}
	e.newest = e.newest[:0]
	for _, w := range omega {
		e.newest = append(e.newest, unit(-cycles(w*e.lag[0]/(2*math.Pi)))*complex(2*e.memory.direct(), 0))
	}
	e.steps = e.steps[:0]
	for i, n := range e.lengths {
		before := e.lengths[(i+len(e.lengths)-1)%len(e.lengths)]
		e.steps = append(e.steps, e.newStep(before, n, degree))
	}
}

// newMomentSums tabulates (u/half)ᵈ·e^{−jωu}: real part even and imaginary part
// odd about the middle for even d, the other way round for odd d.
func (e *blocks) newMomentSums(length, degree int) summer {
	lanes := e.groups * kernel.Lanes
	sums := newSummer(e.precision, length, (degree+1)*lanes, e.channels)
	even, odd := make([]float64, sums.Half()), make([]float64, sums.Half())
	for k, w := range e.omega {
		for d := range degree + 1 {
			for i := range even {
				u := float64(i) + 0.5*float64(1-length%2)
				s, c := math.Sincos(w * u)
				f := math.Pow(2*u/float64(length), float64(d))
				even[i], odd[i] = f*c, -f*s
				if d%2 == 1 {
					even[i], odd[i] = -f*s, f*c
				}
			}
			sums.Set(d*lanes+k, 0, even, odd)
		}
	}
	return sums
}

// newStep goes from the middle of a block to that of the next.
func (e *blocks) newStep(before, length, degree int) *kernel.Cascade {
	n, delta := e.memory.size(), float64(before+length)/2
	c := &kernel.Cascade{Order: n, Degree: degree, Shift: make([]float64, n*n), Add: make([]float64, n*(degree+1)),
		Out: make([]float64, n), Turn: make([]complex128, e.groups*kernel.Lanes)}
	decay := e.memory.fill(c, delta, length)
	for k, w := range e.omega {
		c.Turn[k] = unit(cycles(w*delta/(2*math.Pi))) * complex(decay, 0)
	}
	c.Prepare()
	return c
}

func (e *blocks) floats(x []float64) rawRows { return advance(e, &e.pendingFloats, x) }

func (e *blocks) counts(x []int16) rawRows { return advance(e, &e.pendingCounts, x) }

// advance processes all blocks that are complete and keeps the rest.
func advance[S sample](e *blocks, pending *cutter[S], x []S) rawRows {
	e.values = e.values[:0]
	for {
		piece := pending.next(&x, e.lengths[e.at]*e.channels)
		if piece == nil {
			return e.rawRows
		}
		block(e, piece)
	}
}

func block[S sample](e *blocks, x []S) {
	sum(e.kinds[e.lengths[e.at]], e.results, x)
	var out []complex128
	if e.at == len(e.lengths)-1 {
		n := len(e.values)
		e.values = slices.Grow(e.values, e.size)[:n+e.size]
		out = e.values[n:]
	}
	step := e.steps[e.at]
	step.Advance(e.state, e.results, out, e.channels, len(e.results)/((step.Degree+1)*len(step.Turn)))
	if out != nil && e.memory.direct() != 0 {
		for k, newest := range e.newest {
			for c, v := range x[len(x)-e.channels:] {
				out[e.offset[k]+c*e.step] += newest * complex(float64(v), 0)
			}
		}
	}
	e.at = (e.at + 1) % len(e.lengths)
}
