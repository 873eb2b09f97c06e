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
	Full          bool         // all of Shift and Add counts; else a triangle of each
	Shift         []float64    // Order×Order, lower unless Full: old moments to new ones
	Add           []float64    // Order×(Degree+1), upper unless Full: the block's moments to new ones
	Out           []float64    // Order: moments to the filter's output
	Turn          []complex128 // groups × Lanes: old moments to the new middle

	packed []float64 // for the loops in assembly
	loop   cascadeLoop
}

// columns are how many columns of row j of Shift count, and the first that does of Add.
func (c *Cascade) columns(j int) (shift, add int) {
	if c.Full {
		return c.Order, 0
	}
	return j + 1, j
}

// cascadeLoop advances one group of tones.
type cascadeLoop func(c *Cascade, state, moments, out []complex128, group, channels, step int)

var (
	cascadeLoops  = func(c *Cascade) cascadeLoop { return advanceGo }
	cascadeKernel = variant.New("multitone.Cascade", &cascadeLoops)
)

// Prepare makes the cascade ready after its tables were filled.
func (c *Cascade) Prepare() { c.loop = cascadeLoops(c) }

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
	n, wide := c.Order, c.Degree+1
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
				shift, add := c.columns(j)
				for i, f := range c.Shift[j*n : j*n+shift] {
					re += f * real(old[i])
					im += f * imag(old[i])
				}
				for d := add; d < wide; d++ {
					q, f := moments[d*step+ch*Lanes+lane], c.Add[j*wide+d]
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
