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
	switch h := chi2 / 2; {
	case dof <= 0:
		return 1
	case dof <= mostTerms && h >= 0 && h < mostHalf:
		return series(h, dof)
	}
	return distuv.ChiSquared{K: float64(dof)}.Survival(chi2)
}

// Up to so many degrees of freedom the series takes less time than the incomplete gamma
// function, and up to so much of half a chi-square its terms neither vanish nor overflow.
const (
	mostTerms = 100
	mostHalf  = 600
)

// series is the survival function of chi-square at 2h: a finite sum of positive terms
// (Abramowitz and Stegun, Handbook of Mathematical Functions, 26.4.4 and 26.4.5).
func series(h float64, dof int) float64 {
	e := math.Exp(-h)
	sum, term, k := e, e, 1.0
	if dof%2 == 1 {
		root := math.Sqrt(h)
		sum, term, k = math.Erfc(root), 2/math.SqrtPi*e*root, 1.5
		if dof > 1 {
			sum += term
		}
	}
	for ; k < float64(dof)/2; k++ {
		term *= h / k
		sum += term
	}
	return min(sum, 1)
}
