package recording

import (
	"math"
	"slices"
)

// limit judges whether what a channel reaches farthest, on one side, is a level that it does not exceed: that of a front
// end that saturates inside of the converter's range.
//
// A smooth wave that is sampled now and then ends at a farthest sample once, or at its quantised crest. To end at the same
// value again and again, though the samples beside it show a crest between them that would have been higher one time than
// another, or that was of another size, needs a limiter. So crests that end at the farthest value count as many as have
// different shapes. By chance such a crest ends at any of the values near the top alike: at the last one of a window of w
// with the probability q/(q+w), q being the step. What speaks against a limit are the crests that end in the window,
// below it.
type limit struct {
	unit     float64 // step of the samples at least; 0: not known
	farthest float64 // so far, upwards
	step     float64 // least difference of samples in what was looked at, within a factor of two
	window   float64 // below farthest
	shapes   []shape // of crests that end at farthest: different ones
	below    int     // crests that end in the window below
	looks    int     // at pieces
	settled  bool    // no limit, as long as nothing goes beyond farthest
	met      []span  // samples at farthest that are not called clipped yet
	found    float64 // the limit; NaN: none
}

const (
	limitWindow = 1e-3 // of the range of the channel: a limit so far below the largest crests has most of them above
	limitGrain  = 1e-5 // of the range: shapes are different from here on, and from two steps on
	limitSteps  = 8    // a window has so many at least
	limitRange  = 64   // a channel with a smaller range [steps] shows what quantisation does to it
	limitFine   = 1e-6 // of the range: a smaller step need not be known
	limitChance = 1e-3 // equal values are not called less likely than this
	limitBelow  = 8    // crests below that end the search
	limitLooks  = 64   // pieces after which it ends
	limitShapes = 64   // that are remembered
	limitMet    = 256  // stretches that are remembered
)

func newLimit(unit float64) limit {
	return limit{unit: unit, step: math.Inf(1), farthest: math.Inf(-1), found: math.NaN()}
}

// due tells whether a piece that reaches so far is worth a look.
func (l *limit) due(far float64) bool {
	return far > l.farthest || far == l.found || !l.settled && far >= l.farthest-l.window
}

// look goes through a piece of a channel that reaches so far upwards, or downwards if sign is −1, and tells whether a limit
// was found now. The channel's range is what it went through so far.
func (l *limit) look(x []float64, sign, far, reach float64) bool {
	if far > l.farthest {
		*l = limit{unit: l.unit, step: l.step, farthest: far, shapes: l.shapes[:0], met: l.met[:0], found: l.found}
	}
	if l.settled || l.farthest == l.found {
		return false
	}
	if l.step > max(l.unit, limitFine*reach) {
		if least := l.leastStep(x, sign); least < l.step/2 { // crests were counted in another window
			l.step, l.shapes, l.below = least, l.shapes[:0], 0
		}
	}
	l.looks++
	if l.settled = l.looks >= limitLooks; l.settled || !(limitRange*l.step <= reach) {
		return false
	}
	l.window = max(limitSteps*l.step, limitWindow*reach)
	grain := max(2*l.step, limitGrain*reach)
	for stop := 1; stop < len(x); stop++ {
		start := stop - 1
		v := sign * x[start]
		if v < l.farthest-l.window {
			continue
		}
		for ; stop < len(x) && sign*x[stop] == v; stop++ {
		}
		if start == 0 || stop == len(x) || sign*x[start-1] > v || sign*x[stop] > v {
			continue
		}
		if v < l.farthest {
			l.below++
			continue
		}
		left, right := v-sign*x[start-1], v-sign*x[stop]
		l.note(shape{overshoot(stop-start, left, right, l.step), (left + right) / 2}, grain)
	}
	if l.chance() < -9*math.Ln10 {
		l.found = l.farthest
		return true
	}
	l.settled = l.below >= limitBelow && (l.step <= l.unit || l.looks >= limitBelow)
	return false
}

// shape of a crest.
type shape struct {
	over float64 // of the crest between the samples
	fall float64 // to the samples beside it, mean
}

// note notes a shape that differs from those before by the grain. Samples beside a crest that quantisation moves by
// half a step change its fall more than its overshoot.
func (l *limit) note(s shape, grain float64) {
	if len(l.shapes) < limitShapes && !slices.ContainsFunc(l.shapes, func(o shape) bool {
		return math.Abs(o.over-s.over) < grain && math.Abs(o.fall-s.fall) < 2*grain
	}) {
		l.shapes = append(l.shapes, s)
	}
}

// leastStep is the least difference of samples from the one before, and from the farthest.
func (l *limit) leastStep(x []float64, sign float64) float64 {
	least, before := math.Inf(1), sign*x[0]
	for _, v := range x {
		v *= sign
		if d := math.Abs(v - before); d < least && d > 0 {
			least = d
		}
		if d := l.farthest - v; d < least && d > 0 {
			least = d
		}
		before = v
	}
	return least
}

// chance is the logarithm of the probability that of all crests in the window and at its end at least as many end
// there, less the one that made it the end: of n at least k, each with probability p, is at most C(n,k) pᵏ.
func (l *limit) chance() float64 {
	k := max(0, len(l.shapes)-1)
	return lnChoose(k+l.below, k) + float64(k)*math.Log(max(limitChance, l.step/(l.step+l.window)))
}

func lnChoose(n, k int) float64 {
	ln := func(n int) float64 { v, _ := math.Lgamma(float64(n + 1)); return v }
	return ln(n) - ln(k) - ln(n-k)
}

// overshoot is how far above k equal samples a parabola has its crest that falls from the outer ones of them to the samples
// beside them as seen. With t from their middle, on which it is c + b·t − a·t², and m = (k−1)/2 the falls from c − a·m² to
// t = ±(m+1) are a((m+1)²−m²) ∓ b(m+1): their mean is a·k, the left one less the right one 2b(m+1). A step may be added by
// quantisation and does not count.
func overshoot(k int, left, right, step float64) float64 {
	left, right = max(0, left-step), max(0, right-step)
	mean := (left + right) / 2
	if mean == 0 {
		return 0
	}
	m := float64(k-1) / 2
	a, b := mean/float64(k), (left-right)/(2*(m+1))
	return a*m*m + b*b/(4*a)
}
