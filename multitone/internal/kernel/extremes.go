package kernel

import "tonepose/fieldmodels/variant"

// Extremes finds the least, the greatest and the sum of each channel's counts
// in whole frames of interleaved 16-bit counts, little-endian. The results'
// lengths are the number of channels; there must be at least one frame.
func Extremes(low, high []int16, sum []int64, x []byte) {
	for c := range sum {
		first := int16(uint16(x[2*c]) | uint16(x[2*c+1])<<8)
		low[c], high[c], sum[c] = first, first, 0
	}
	done := extremesVectors(low, high, sum, x)
	channels := len(sum)
	c := done / 2 % channels
	for at := done; at < len(x)-1; at += 2 {
		v := int16(uint16(x[at]) | uint16(x[at+1])<<8)
		low[c], high[c] = min(low[c], v), max(high[c], v)
		sum[c] += int64(v)
		if c++; c == channels {
			c = 0
		}
	}
}

// extremesVectors takes what the processor's vectors can of the bytes x and
// returns how many.
var (
	extremesVectors = func(low, high []int16, sum []int64, x []byte) int { return 0 }
	extremesKernel  = variant.New("multitone.Extremes", &extremesVectors)
)
