// Package statistics has what several parts of the solver ask of a list of numbers
// or of a chi-square.
package statistics

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Quantile of rising numbers, Hyndman and Fan's definition 7 (The American
// Statistician 50, 1996): the median of an even count is the mean of the middle
// two. NaN of none.
func Quantile(x []float64, p float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	at := p * float64(len(x)-1)
	i := int(at)
	if i+1 == len(x) {
		return x[i]
	}
	return x[i] + (at-float64(i))*(x[i+1]-x[i])
}

// Median of numbers in any order, which it sorts; NaN of none.
func Median(x []float64) float64 {
	slices.Sort(x)
	return Quantile(x, 0.5)
}

// Chance is the probability of a chi-square at least this large; 1 without
// degrees of freedom.
func Chance(chi2 float64, dof int) float64 {
	if dof <= 0 {
		return 1
	}
	return distuv.ChiSquared{K: float64(dof)}.Survival(chi2)
}
