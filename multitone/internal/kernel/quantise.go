package kernel

import (
	"encoding/binary"
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

// Counts writes the counts of 16 bits nearest to v/unit, ties to even, little-endian: that of
// sample i at dst[i·stride]. Those beyond the least and the greatest are these; what is no
// number counts 0.
func Counts(dst []byte, stride int, v []float64, unit float64) {
	if len(v) == 0 {
		return
	}
	_ = dst[(len(v)-1)*stride+1]
	counts(dst, stride, v, unit)
}

func countsGo(dst []byte, stride int, v []float64, unit float64) { countsFrom(0, dst, stride, v, unit) }

// countsFrom is countsGo from a sample on.
func countsFrom(first int, dst []byte, stride int, v []float64, unit float64) {
	for i := first; i < len(v); i++ {
		x := math.RoundToEven(v[i] / unit)
		switch {
		case x < math.MinInt16:
			x = math.MinInt16
		case x > math.MaxInt16:
			x = math.MaxInt16
		case x != x:
			x = 0
		}
		binary.LittleEndian.PutUint16(dst[i*stride:], uint16(int16(x)))
	}
}

var (
	quantise       = quantiseGo
	quantiseKernel = variant.New("multitone.Quantise", &quantise)

	counts       = countsGo
	countsKernel = variant.New("multitone.Counts", &counts)
)
