package assessment

import (
	"cmp"
	"math"
	"slices"
)

// distribution is a list of numbers of which units can be drawn again and again. NaN
// are left out.
type distribution struct {
	value   []float64 // rising
	unit    []int     // of each
	n       []int     // numbers of each unit
	squares []float64 // their sum of squares
}

// newDistribution takes a list and the unit of each number, counted from 0.
func newDistribution(list []float64, units []int) distribution {
	count := 0
	for _, u := range units {
		count = max(count, u+1)
	}
	d := distribution{n: make([]int, count), squares: make([]float64, count)}
	var order []int
	for i, v := range list {
		if !math.IsNaN(v) {
			order = append(order, i)
			d.n[units[i]]++
			d.squares[units[i]] += v * v
		}
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(list[a], list[b]) })
	for _, i := range order {
		d.value, d.unit = append(d.value, list[i]), append(d.unit, units[i])
	}
	return d
}

// statistics are RMS, median, 95th and 99th percentile and the largest of the numbers,
// each unit taken as often as times says.
func (d *distribution) statistics(times []int) (s [5]float64) {
	total, squares := 0, 0.0
	for u, n := range times {
		total += n * d.n[u]
		squares += float64(n) * d.squares[u]
	}
	if total == 0 {
		return [5]float64{math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()}
	}
	// Value k has the ranks from first on, as many as it was drawn. Most of what is
	// asked for is near the largest.
	k, first := len(d.value), total
	rank := func(i int) float64 {
		for first > i {
			k--
			first -= times[d.unit[k]]
		}
		for first+times[d.unit[k]] <= i {
			first += times[d.unit[k]]
			k++
		}
		return d.value[k]
	}
	// As statistics.Quantile.
	quantile := func(p float64) float64 {
		at := p * float64(total-1)
		i := int(at)
		above, below := rank(min(i+1, total-1)), rank(i)
		return below + (at-float64(i))*(above-below)
	}
	s[0] = math.Sqrt(squares / float64(total))
	s[4], s[3], s[2], s[1] = quantile(1), quantile(0.99), quantile(0.95), quantile(0.5)
	return s
}

// statisticsOf are those of a list as it is.
func statisticsOf(list []float64) [5]float64 {
	d := newDistribution(list, make([]int, len(list)))
	return d.statistics([]int{1}[:len(d.n)])
}

func rms(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}
