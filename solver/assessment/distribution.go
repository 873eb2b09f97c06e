package assessment

import (
	"cmp"
	"math"
	"slices"

	"tonepose/solver/internal/statistics"
)

// distribution is a list of numbers that can be resampled: counts say how often
// each was drawn. NaN are left out.
type distribution struct {
	value []float64 // rising
	index []int     // of each in the list it came from
}

func newDistribution(list []float64) distribution {
	var d distribution
	for i, v := range list {
		if !math.IsNaN(v) {
			d.index = append(d.index, i)
		}
	}
	slices.SortFunc(d.index, func(a, b int) int { return cmp.Compare(list[a], list[b]) })
	for _, i := range d.index {
		d.value = append(d.value, list[i])
	}
	return d
}

// statistics are RMS, median, 95th and 99th percentile and the largest. counts
// nil: each number once.
func (d distribution) statistics(counts []int) [5]float64 {
	drawn := d.value
	if counts != nil {
		// Room for one more, so that a number not drawn is written and overwritten
		// without a branch.
		total := 0
		for _, i := range d.index {
			total += counts[i]
		}
		drawn = make([]float64, total+1)
		at := 0
		for k, i := range d.index {
			n := counts[i]
			drawn[at] = d.value[k]
			for j := 1; j < n; j++ {
				drawn[at+j] = d.value[k]
			}
			at += n
		}
		drawn = drawn[:total]
	}
	quantile := func(p float64) float64 { return statistics.Quantile(drawn, p) }
	return [5]float64{rms(drawn), quantile(0.5), quantile(0.95), quantile(0.99), quantile(1)}
}

func rms(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}
