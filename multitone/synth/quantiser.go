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
	top := float64(int64(1) << (q.Bits - 1))
	x := math.RoundToEven(v / q.FullScale * top)
	switch {
	case x < -top:
		return int32(-top), true
	case x > top-1:
		return int32(top - 1), true
	case x != x:
		return 0, false
	}
	return int32(x), false
}
