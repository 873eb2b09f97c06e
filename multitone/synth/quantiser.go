package synth

import (
	"math"

	"tonepose/multitone/internal/kernel"
)

// Quantiser is an ideal ADC: uniform steps of FullScale/2^(Bits−1), rounded to
// the nearest code (ties to even), clipped to −2^(Bits−1) … 2^(Bits−1)−1.
type Quantiser struct {
	Bits      int     // 2..32
	FullScale float64 // [V]
}

// Code returns the code of v [V], and whether it was clipped. NaN gives 0.
func (q Quantiser) Code(v float64) (code int32, clipped bool) {
	x := [1]float64{v}
	n := kernel.Quantise(x[:], x[:], q.step(), q.top(), 1)
	return int32(x[0]), n > 0
}

// top is one more than the largest code, step the volts of one.
func (q Quantiser) top() float64  { return float64(int64(1) << (q.Bits - 1)) }
func (q Quantiser) step() float64 { return math.Ldexp(q.FullScale, 1-q.Bits) }

// apply replaces volts by those of their codes, and returns how many were clipped.
func (q Quantiser) apply(v []float64) (clipped int64) {
	return int64(kernel.Quantise(v, v, q.step(), q.top(), q.step()))
}
