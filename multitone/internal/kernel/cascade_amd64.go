//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() { cascadeKernel.Add(variant.AVX512, cascadeAVX512) }

// cascade4avx512 advances the states of four stages with three to seven moments beyond
// the plain sum, of channels many channels of one group of tones: a channel's moment d
// is d·step bytes on. coefficients are six of Shift below its diagonal of ones, Add row
// by row as for seven moments, and Out; turns are the real parts, twice each, of Lanes
// tones, then the imaginary ones.
//
//go:noescape
func cascade4avx512(state, moments, out *complex128, channels int, step uintptr, coefficients, turns *float64, degree int)

func cascadeAVX512(c *Cascade) cascadeLoop {
	if c.Order != 4 || c.Degree < 3 || c.Degree > 7 {
		return advanceGo
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
	for g := 0; g < len(c.Turn); g += Lanes {
		for _, t := range c.Turn[g : g+Lanes] {
			c.packed = append(c.packed, real(t), real(t))
		}
		for _, t := range c.Turn[g : g+Lanes] {
			c.packed = append(c.packed, imag(t), imag(t))
		}
	}
	return advanceAVX512
}

// cascadeCoefficients is how many numbers precede the turns.
const cascadeCoefficients = 6 + 26 + 4

func advanceAVX512(c *Cascade, state, moments, out []complex128, group, channels, step int) {
	_ = state[channels*4*Lanes-1]
	_ = moments[c.Degree*step+channels*Lanes-1]
	var y *complex128
	if out != nil {
		y = &out[:channels*Lanes][0]
	}
	turns := &c.packed[cascadeCoefficients+group*4*Lanes]
	cascade4avx512(&state[0], &moments[0], y, channels, uintptr(step)*16, &c.packed[0], turns, c.Degree)
}
