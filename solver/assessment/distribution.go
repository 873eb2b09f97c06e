package assessment

import (
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
	slices.SortFunc(d.index, func(a, b int) int {
		switch {
		case list[a] < list[b]:
			return -1
		case list[a] > list[b]:
			return 1
		}
		return a - b
	})
	for _, i := range d.index {
		d.value = append(d.value, list[i])
	}
	return d
}

// statistics are RMS, median, 95th and 99th percentile and the largest. counts
// nil: each number once.
func (d distribution) statistics(counts []int) (s [5]float64) {
	s = [5]float64{math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()}
	if counts == nil {
		if len(d.value) > 0 {
			s = [5]float64{rms(d.value), statistics.Quantile(d.value, 0.5), statistics.Quantile(d.value, 0.95), statistics.Quantile(d.value, 0.99), d.value[len(d.value)-1]}
		}
		return s
	}
	total := 0
	var squares float64
	for k, i := range d.index {
		total += counts[i]
		squares += float64(counts[i]) * d.value[k] * d.value[k]
	}
	if total == 0 {
		return s
	}
	s[0] = math.Sqrt(squares / float64(total))
	// One walk finds the order statistics either side of each quantile.
	want := [3]float64{0.5, 0.95, 0.99}
	next, before := 0, 0 // numbers passed
	var low [3]float64
	var have [3]bool
	for k, i := range d.index {
		if counts[i] == 0 {
			continue
		}
		before = next
		next += counts[i]
		s[4] = d.value[k]
		for q, p := range want {
			at := p * float64(total-1)
			j := int(at)
			if !have[q] && before <= j && j < next {
				low[q], have[q] = d.value[k], true
				s[q+1] = low[q]
			}
			if upper := min(j+1, total-1); have[q] && before <= upper && upper < next {
				s[q+1] = low[q] + (at-float64(j))*(d.value[k]-low[q])
			}
		}
	}
	return s
}

func rms(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}
