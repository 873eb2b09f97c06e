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
	// Moments a block carries at most, and what may be missing of its weighting
	// in either precision: −160 and −280 dB.
	mostDegree                = 10
	singleMissing, allMissing = 1e-8, 1e-14
)

// blocks is the engine of a cascade of n equal stages that works at block rate.
//
// The filter weighs a sample that is m samples old by bⁿ·C(m+n−1, n−1)·aᵐ, a
// polynomial of degree n−1 times an exponential. So n moments of the past,
// S_j = Σ aᵘ·(b·μ)ʲ·x·e^{−jωt}, hold all that its outputs will ever need, and
// they move from a block's middle to the next by the binomial theorem. What a
// block adds to them follows from its plain moments Σ x·uᵈ·e^{−jωu}, sums over
// samples that the framed kernels compute, by the series of aᵘ; how many are
// needed follows from the block's length times ln a.
type blocks struct {
	channels, tones, groups int
	order                   int
	b                       float64 // of a stage: y += b·(x − y)
	lengths                 []int   // of the blocks between two rows
	at                      int     // the block that comes next
	precision               Precision
	omega                   []float64
	kinds                   map[int]summer    // by the blocks' lengths: their moments
	steps                   []*kernel.Cascade // to each of the blocks from the one before
	state                   []complex128
	results                 []complex128
	pendingCounts           cutter[int16]
	pendingFloats           cutter[float64]
	rawRows
}

// newBlocks returns nil where blocks do not pay.
func newBlocks(c *Config, l *lowpass.LowPass, a Averaging) *blocks {
	spec := l.Spec()
	if spec.Kind != lowpass.Cascade || a.Every < leastBlock {
		return nil
	}
	e := &blocks{channels: c.Channels, tones: len(c.Tones), order: spec.Order, precision: a.Precision, rawRows: plainRows(c)}
	e.b = -math.Expm1(-1 / (l.TimeConstantS() * c.SampleRate))
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
	e.state = make([]complex128, e.size*e.order)
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
	x := -math.Log1p(-e.b) * float64(length) / 2
	term := 1.0
	for d := 1; ; d++ {
		term *= x / float64(d)
		if term/float64(d+1) < missing && d > e.order-1 {
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
	n, b := e.order, e.b
	alpha := -math.Log1p(-b)
	delta := float64(before+length) / 2
	c := &kernel.Cascade{Order: n, Degree: degree, Shift: make([]float64, n*n), Add: make([]float64, n*(degree+1)),
		Out: make([]float64, n), Turn: make([]complex128, e.groups*kernel.Lanes)}
	for j := range n {
		f := 1.0 // C(j, i)·(b·delta)^{j−i}
		for i := j; i >= 0; i-- {
			c.Shift[j*n+i] = f
			f *= float64(i) / float64(j-i+1) * b * delta
		}
		// (−b)ʲ·α^{d−j}/(d−j)!·(L/2)ᵈ: μ = −u
		f = math.Pow(-b*float64(length)/2, float64(j))
		for d := j; d <= degree; d++ {
			c.Add[j*(degree+1)+d] = f
			f *= alpha / float64(d-j+1) * float64(length) / 2
		}
	}
	decay := math.Exp(-alpha * delta)
	for k, w := range e.omega {
		c.Turn[k] = unit(cycles(w*delta/(2*math.Pi))) * complex(decay, 0)
	}
	// After the last sample, m = μ + h: bⁿ·aᵐ·Π (m+i)/i in powers of b·μ, twice
	// for peak values.
	h := float64(length-1) / 2
	p := make([]float64, n)
	p[0] = 2 * math.Pow(b, float64(n)) * math.Exp(-alpha*h)
	for i := 1; i < n; i++ {
		for j := i; j >= 0; j-- {
			p[j] *= (h + float64(i)) / float64(i)
			if j > 0 {
				p[j] += p[j-1] / (b * float64(i))
			}
		}
	}
	copy(c.Out, p)
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
	e.at = (e.at + 1) % len(e.lengths)
}
