//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() { extremesKernel.Add(variant.AVX2, extremesAVX2) }

// lanes is what one of the sixteen places of a vector shows.
type lanes struct {
	low, high [16]int16
	sums      [2][8]int32 // of places 0, 2, … and 1, 3, …
}

// lanesAVX2 goes through n vectors of 32 bytes, step bytes apart. The lanes'
// sums hold 65535 counts.
//
//go:noescape
func lanesAVX2(l *lanes, x *byte, n int, step uintptr)

func extremesAVX2(low, high []int16, sum []int64, x []byte) int {
	channels := len(sum)
	period := channels // vectors until places hold the same channels again
	for b := 16; b > 1 && period%2 == 0; b /= 2 {
		period /= 2
	}
	rounds := len(x) / (32 * period)
	for done := 0; done < rounds; {
		n := min(rounds-done, 1<<15)
		for v := range period {
			var l lanes
			lanesAVX2(&l, &x[32*(done*period+v)], n, uintptr(32*period))
			c := 16 * v % channels
			for j := range l.low {
				low[c], high[c] = min(low[c], l.low[j]), max(high[c], l.high[j])
				sum[c] += int64(l.sums[j%2][j/2])
				if c++; c == channels {
					c = 0
				}
			}
		}
		done += n
	}
	return rounds * 32 * period
}
