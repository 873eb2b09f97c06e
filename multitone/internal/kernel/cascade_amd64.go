//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	cascadeKernel.Add(variant.AVX2, func(c *Cascade) cascadeLoop { return c.wide(advanceAVX2) })
	cascadeKernel.Add(variant.AVX512, cascadeAVX512)
}

// advancer advances a group of tones by a block; see its generator for the arguments.
type advancer func(state, moments, out *complex128, channels int, step uintptr, coefficients, turns *float64, rows *int64, order, wide int)

//go:noescape
func advanceAVX2(state, moments, out *complex128, channels int, step uintptr, coefficients, turns *float64, rows *int64, order, wide int)

//go:noescape
func advanceAVX512(state, moments, out *complex128, channels int, step uintptr, coefficients, turns *float64, rows *int64, order, wide int)

// What the loops have room for.
const mostStates, mostMoments = 8, 11

// wide packs the coefficients and returns the loop of any order and degree.
func (c *Cascade) wide(advance advancer) cascadeLoop {
	n, wide := c.Order, c.Degree+1
	if n > mostStates || wide > mostMoments {
		return advanceGo
	}
	c.packed = c.packed[:0]
	for j := range n {
		c.packed = append(c.packed, c.columns[j].shift.of(c.shifts(j))...)
		c.packed = append(c.packed, c.columns[j].add.of(c.adds(j))...)
		c.packed = append(c.packed, c.Out[j])
	}
	coefficients := len(c.packed)
	c.packTurns()
	return func(c *Cascade, state, moments, out []complex128, group, channels, step int) {
		_ = state[channels*n*Lanes-1]
		_ = moments[c.Degree*step+channels*Lanes-1]
		var y *complex128
		if out != nil {
			y = &out[:channels*Lanes][0]
		}
		advance(&state[0], &moments[0], y, channels, uintptr(step)*16, &c.packed[0], &c.packed[coefficients+group*4*Lanes], &c.columns[0].shift.first, n, wide)
	}
}

// packTurns appends each group's turns: real parts, twice each, then imaginary ones.
func (c *Cascade) packTurns() {
	for g := 0; g < len(c.Turn); g += Lanes {
		for _, t := range c.Turn[g : g+Lanes] {
			c.packed = append(c.packed, real(t), real(t))
		}
		for _, t := range c.Turn[g : g+Lanes] {
			c.packed = append(c.packed, imag(t), imag(t))
		}
	}
}

// cascade4AVX512 advances the states of four stages with three to seven moments beyond
// the plain sum, of channels many channels of one group of tones: a channel's moment d
// is d·step bytes on. coefficients are six of Shift below its diagonal of ones, Add row
// by row as for seven moments, and Out; turns are the real parts, twice each, of Lanes
// tones, then the imaginary ones.
//
//go:noescape
func cascade4AVX512(state, moments, out *complex128, channels int, step uintptr, coefficients, turns *float64, degree int)

func cascadeAVX512(c *Cascade) cascadeLoop {
	if c.Order != 4 || c.Degree < 3 || c.Degree > 7 || !c.stages() {
		return c.wide(advanceAVX512)
	}
	c.packed = c.packed[:0]
	for j := 1; j < 4; j++ {
		c.packed = append(c.packed, c.Shift[j*4:j*4+j]...)
	}
	for j := range 4 {
		for d := j; d <= 7; d++ {
			v := 0.0
			if d <= c.Degree {
				v = c.Add[j*(c.Degree+1)+d]
			}
			c.packed = append(c.packed, v)
		}
	}
	c.packed = append(c.packed, c.Out...)
	c.packTurns()
	return advance4AVX512
}

// stages tells whether the rows are those of stages: triangles, with ones along the
// diagonal of Shift.
func (c *Cascade) stages() bool {
	for j, v := range c.columns {
		if v.shift.first+v.shift.count != int64(j+1) || c.shifts(j)[j] != 1 || v.add.first < int64(j) {
			return false
		}
	}
	return true
}

// cascadeCoefficients is how many numbers precede the turns.
const cascadeCoefficients = 6 + 26 + 4

func advance4AVX512(c *Cascade, state, moments, out []complex128, group, channels, step int) {
	_ = state[channels*4*Lanes-1]
	_ = moments[c.Degree*step+channels*Lanes-1]
	var y *complex128
	if out != nil {
		y = &out[:channels*Lanes][0]
	}
	turns := &c.packed[cascadeCoefficients+group*4*Lanes]
	cascade4AVX512(&state[0], &moments[0], y, channels, uintptr(step)*16, &c.packed[0], turns, c.Degree)
}
