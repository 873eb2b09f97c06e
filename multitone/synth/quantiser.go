package synth

import "math"

// Quantiser is an ideal ADC: uniform steps of FullScale/2^(Bits−1), rounded to
// the nearest code (ties to even), clipped to −2^(Bits−1) … 2^(Bits−1)−1.
type Quantiser struct {
	Bits      int     // 2..32
	FullScale float64 // [V]
}

// Code returns the code of v [V], and whether it was clipped. NaN gives 0.
func (q Quantiser) Code(v float64) (code int32, clipped bool) {
	x, clipped := q.round(v, q.top())
	return int32(x), clipped
}

// top is one more than the largest code.
func (q Quantiser) top() float64 { return float64(int64(1) << (q.Bits - 1)) }

// round is Code as a number.
func (q Quantiser) round(v, top float64) (code float64, clipped bool) {
	x := math.RoundToEven(v / q.FullScale * top)
	switch {
	case x < -top:
		return -top, true
	case x > top-1:
		return top - 1, true
	case x != x:
		return 0, false
	}
	return x, false
}

// apply replaces volts by those of their codes, and returns how many were clipped.
func (q Quantiser) apply(v []float64) (clipped int64) {
	top, step := q.top(), math.Ldexp(q.FullScale, 1-q.Bits)
	for i, x := range v {
		code, over := q.round(x, top)
		if over {
			clipped++
		}
		v[i] = code * step
	}
	return clipped
}
