// Package stability computes how a series of values wanders with averaging time: the
// Allan family of deviations with confidence intervals.
//
//	s, err := stability.Values(amplitudes, 0.01)          // one value each 10 ms
//	p, err := stability.Deviations(s, stability.Overlapping, stability.Octaves(s.Len()), 0.95)
//
// The theory speaks of clocks: phase x(t) [s] and fractional frequency y = dx/dt.
// Any series whose values are averages over their interval (amplitude, phase,
// coupling, a coordinate of a pose) takes the place of y; deviations then have the
// values' unit. White noise of the values is "white FM", their drift-like wander
// "random walk FM".
//
// Source: Riley, Handbook of Frequency Stability Analysis, NIST SP 1065, 2008.
//
// It serves the command; see multitone for what to build on.
package stability

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Series is an evenly spaced series, kept as its sum over time.
type Series struct {
	tau0 float64
	x    []float64 // phase: x[i+1] − x[i] = y[i]·tau0; NaN where a phase is missing
	gaps []int     // of values: how many are missing among the first i; nil without any
}

// errTooShort reports a series without a single difference.
var errTooShort = errors.New("stability: fewer than three values")

// Values returns the series of averages y, each over the interval tau0 [s]. A NaN is
// a missing value: every difference that would need it is left out.
func Values(y []float64, tau0 float64) (Series, error) {
	if err := check(y, tau0); err != nil {
		return Series{}, err
	}
	// Differences do not see a constant; without it the sum keeps its digits.
	mean, n := meanOf(y)
	if n < 2 {
		return Series{}, errTooShort
	}
	s := Series{tau0: tau0, x: make([]float64, len(y)+1)}
	if n < len(y) {
		s.gaps = make([]int, len(y)+1)
	}
	for i, v := range y {
		if s.gaps != nil {
			s.gaps[i+1] = s.gaps[i]
		}
		if math.IsNaN(v) {
			v = mean
			s.gaps[i+1]++
		}
		s.x[i+1] = s.x[i] + (v-mean)*tau0
	}
	return s, nil
}

// Phase returns the series of readings x of an accumulated quantity, tau0 [s] apart,
// such as the phase or time of a clock. A NaN is a missing reading.
func Phase(x []float64, tau0 float64) (Series, error) {
	if err := check(x, tau0); err != nil {
		return Series{}, err
	}
	if len(x) < 3 {
		return Series{}, errTooShort
	}
	return Series{tau0: tau0, x: slices.Clone(x)}, nil
}

// meanOf returns the mean of the values that are there, and their number.
func meanOf(values []float64) (mean float64, n int) {
	for _, v := range values {
		if !math.IsNaN(v) {
			mean += v
			n++
		}
	}
	return mean / float64(n), n
}

func check(v []float64, tau0 float64) error {
	if !(tau0 > 0) || math.IsInf(tau0, 0) {
		return fmt.Errorf("stability: interval %g s: must be positive and finite", tau0)
	}
	for i, a := range v {
		if math.IsInf(a, 0) {
			return fmt.Errorf("stability: value %d is %g: must be finite, or NaN where missing", i, a)
		}
	}
	return nil
}

// Len returns the number of values (one less than of phases).
func (s Series) Len() int { return len(s.x) - 1 }

// whole reports whether no value between phases i and j is missing. Missing phases
// are not counted here: their NaN spreads by itself.
func (s Series) whole(i, j int) bool { return s.gaps == nil || s.gaps[i] == s.gaps[j] }

// Octaves returns the numbers of values to average 1, 2, 4, … up to a third of n.
func Octaves(n int) []int {
	var m []int
	for k := 1; k <= max(1, n/3); k *= 2 {
		m = append(m, k)
	}
	return m
}
