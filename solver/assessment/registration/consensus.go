package registration

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/solver/internal/statistics"
)

const (
	// draws of a minimal set: with 40 % outliers and sets of three, the chance
	// that none of 300 is clean is (1 − 0.6³)³⁰⁰ < 1e-31; with sets of six 1e-6.
	draws = 300
	// scored bounds the data that a draw is judged by.
	scored = 1000
	// falseAlarm is the chance that any datum of a clean set is called an outlier.
	falseAlarm = 0.01
	// resolution [m²]: exact data scatter by rounding; a nanometre is no outlier.
	resolution = 1e-18
)

// consensus finds which of the data most agree on, when fewer than half are
// outliers: the least median of squares over fits to minimal sets, then fits to
// all within reach of it until the set stays.
//
// Source: Rousseeuw and Leroy, Robust Regression and Outlier Detection (1987),
// chapter 5.
func (a *adjustment) consensus(seed uint64) []bool {
	n := a.n
	used := slices.Repeat([]bool{true}, n)
	if n < 2*a.size || a.components*n < 2*a.parameters {
		return used // too few to find the odd ones
	}
	chi := distuv.ChiSquared{K: float64(a.components)}
	cut := chi.Quantile(1 - falseAlarm/float64(n))
	middle := chi.Quantile(0.5)
	// A few data are followed too closely by their own fit.
	small := 1 + 5/float64(a.components*n-a.parameters)
	scaleOf := func(d []float64) float64 {
		s := small * small * statistics.Median(d) / middle
		if a.stated {
			return max(s, 1) // stated variances may be too small, never too large
		}
		return max(s, resolution)
	}
	random := rand.New(rand.NewPCG(seed, 0x7265676973746572))
	order := random.Perm(n)
	distances := make([]float64, n)
	measure := func(ids []int) []float64 {
		d := distances[:0]
		for _, i := range ids {
			d = append(d, a.distance(i))
		}
		return d
	}
	best, bestSet := math.Inf(1), []int(nil)
	set := make([]int, a.size)
	for range draws {
		draw(random, set, n)
		if a.start(set) != nil {
			continue
		}
		if m := statistics.Median(measure(order[:min(n, scored)])); m < best {
			best, bestSet = m, slices.Clone(set)
		}
	}
	if bestSet == nil || a.start(bestSet) != nil {
		return used
	}
	all := indices(used)
	for range 20 {
		d := slices.Clone(measure(all))
		limit := cut * scaleOf(slices.Clone(d))
		var keep []int
		changed := false
		for i, v := range d {
			in := v <= limit
			changed = changed || in != used[i]
			used[i] = in
			if in {
				keep = append(keep, i)
			}
		}
		if len(keep)*a.components <= a.parameters || a.start(keep) != nil {
			return slices.Repeat([]bool{true}, n)
		}
		if !changed {
			break
		}
	}
	return used
}

// draw fills set with different numbers below n.
func draw(random *rand.Rand, set []int, n int) {
	for k := range set {
		for {
			set[k] = random.IntN(n)
			if !slices.Contains(set[:k], set[k]) {
				break
			}
		}
	}
}

// indices lists which are true.
func indices(used []bool) []int {
	var list []int
	for i, u := range used {
		if u {
			list = append(list, i)
		}
	}
	return list
}
