package kernel

import (
	"math"

	"tonepose/fieldmodels/variant"
)

// Quantise sets dst to the counts nearest to v/unit, ties to even, times step, and
// returns how many were beyond −top … top−1 and are the nearest of these instead. A
// number that is none counts 0. dst and v may be the same.
func Quantise(dst, v []float64, unit, top, step float64) (clipped int) {
	return quantise(dst, v[:len(dst)], unit, top, step)
}

func quantiseGo(dst, v []float64, unit, top, step float64) (clipped int) {
	return quantiseFrom(0, dst, v, unit, top, step)
}

// quantiseFrom is quantiseGo from a sample on.
func quantiseFrom(first int, dst, v []float64, unit, top, step float64) (clipped int) {
	for i := first; i < len(dst); i++ {
		x := math.RoundToEven(v[i] / unit)
		switch {
		case x < -top:
			x = -top
			clipped++
		case x > top-1:
			x = top - 1
			clipped++
		case x != x:
			x = 0
		}
		dst[i] = x * step
	}
	return clipped
}

var (
	quantise       = quantiseGo
	quantiseKernel = variant.New("multitone.Quantise", &quantise)
)
