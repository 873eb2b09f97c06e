package kernel

import "tonepose/fieldmodels/variant"

// Lanes is how many rows lie side by side in the results of Rows, and how many
// tones in the states that a Cascade advances.
const Lanes = group

// Cascade advances low-passes of a few states over a block of samples, many at once.
// For every channel and tone it keeps moments of all that came before: each sample
// weighted by what its distance μ from the block's middle makes of it, aᵘ·(b·μ)ʲ
// for equal first-order stages, the real and imaginary parts of pᵘ for pairs of poles
// p. A block brings its plain moments Σ x·(u/half)ᵈ·e^{−jωu}.
//
// With tones in groups of Lanes, states lie group by group, channel by channel,
// moment by moment; results channel by channel in each group.
type Cascade struct {
	Order, Degree int
	Shift         []float64    // Order×Order: old moments to new ones
	Add           []float64    // Order×(Degree+1): the block's moments to new ones
	Out           []float64    // Order: moments to the filter's output
	Turn          []complex128 // groups × Lanes: old moments to the new middle

	columns []columns // of each row of Shift and Add
	packed  []float64 // for the loops in assembly
	loop    cascadeLoop
}

// columns are those of a row that count, as there are zeros alone before and behind:
// stages fill a triangle, each pair of poles a square of two by two.
type columns struct{ shift, add span }

type span struct{ first, count int64 }

// filled is the span of a row that is not zero, or one column where all is.
func filled(row []float64) span {
	first, last := 0, 0
	for i, v := range row {
		if v != 0 {
			last = i
		}
	}
	for first < last && row[first] == 0 {
		first++
	}
	return span{int64(first), int64(last - first + 1)}
}

func (s span) of(row []float64) []float64 { return row[s.first : s.first+s.count] }

// cascadeLoop advances one group of tones.
type cascadeLoop func(c *Cascade, state, moments, out []complex128, group, channels, step int)

var (
	cascadeLoops  = func(c *Cascade) cascadeLoop { return advanceGo }
	cascadeKernel = variant.New("multitone.Cascade", &cascadeLoops)
)

// Prepare makes the cascade ready after its tables were filled.
func (c *Cascade) Prepare() {
	c.columns = c.columns[:0]
	for j := range c.Order {
		c.columns = append(c.columns, columns{filled(c.shifts(j)), filled(c.adds(j))})
	}
	c.loop = cascadeLoops(c)
}

// shifts and adds are row j of Shift and of Add.
func (c *Cascade) shifts(j int) []float64 { return c.Shift[j*c.Order : (j+1)*c.Order] }
func (c *Cascade) adds(j int) []float64   { return c.Add[j*(c.Degree+1) : (j+1)*(c.Degree+1)] }

// Advance takes the moments of a block from the results of Rows: moment d of
// tone k is its row d·len(Turn) + k, with real and imaginary part exchanged for
// odd d. stride is the channels' in those results. out, if not nil, receives the
// filters' outputs after the block's last sample.
func (c *Cascade) Advance(state, moments, out []complex128, channels, stride int) {
	groups := len(c.Turn) / Lanes
	step := groups * stride * Lanes
	for g := range groups {
		s := state[g*channels*c.Order*Lanes : (g+1)*channels*c.Order*Lanes]
		var y []complex128
		if out != nil {
			y = out[g*channels*Lanes : (g+1)*channels*Lanes]
		}
		c.loop(c, s, moments[g*stride*Lanes:c.Degree*step+(g+1)*stride*Lanes], y, g, channels, step)
	}
}

func advanceGo(c *Cascade, state, moments, out []complex128, group, channels, step int) {
	n := c.Order
	var old [8]complex128
	for ch := range channels {
		for lane := range Lanes {
			s := state[ch*n*Lanes+lane:]
			for j := range n {
				old[j] = s[j*Lanes] * c.Turn[group*Lanes+lane]
			}
			var y complex128
			for j := range n {
				var re, im float64
				count := c.columns[j]
				for i, f := range count.shift.of(c.shifts(j)) {
					v := old[int(count.shift.first)+i]
					re += f * real(v)
					im += f * imag(v)
				}
				for i, f := range count.add.of(c.adds(j)) {
					d := int(count.add.first) + i
					q := moments[d*step+ch*Lanes+lane]
					if d%2 == 0 {
						re += f * real(q)
						im += f * imag(q)
					} else {
						re += f * imag(q)
						im += f * real(q)
					}
				}
				s[j*Lanes] = complex(re, im)
				y += complex(c.Out[j]*re, c.Out[j]*im)
			}
			if out != nil {
				out[ch*Lanes+lane] = y
			}
		}
	}
}
