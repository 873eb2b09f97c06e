package calibration

import (
	"math"
	"math/bits"
	"slices"

	"tonepose/solver/internal/statistics"
)

// Input is a kind of what a calibration is told, with sigmas that it states.
type Input uint8

// The inputs.
const (
	CouplingNoise Input = iota
	ReferencePosition
	ReferenceRotation
	Tolerance // of one Group of parameters

	numInputs = int(Tolerance) + numGroups
)

// Component is how the sigmas of one input agree with all others.
type Component struct {
	Input Input
	Group Group // of Tolerance
	Share       // of its residuals at the solution
	// Factor is what its stated sigmas were multiplied by: 1 where nothing
	// contradicts them.
	Factor float64
}

// at is the place of a component in a list of all.
func (c *Component) at() int {
	if c.Input == Tolerance {
		return int(Tolerance) + bits.TrailingZeros16(uint16(c.Group))
	}
	return int(c.Input)
}

// negligible is the share of an input's sigmas below which it is not worth a word
// that they are too small or too large.
const negligible = 0.1

// off is the factor by which the sigmas of a component are too small, √(χ²/r)
// (variance components: Förstner, Ein Verfahren zur Schätzung von Varianz- und
// Kovarianzkomponenten, Allgemeine Vermessungs-Nachrichten 86, 1979), and whether
// that is more than chance. Weighted sums with weights up to one, as residuals of an
// adjustment are, scatter less than chi-square of r degrees.
func (c *Component) off() (factor float64, sure bool) {
	factor = math.Sqrt(c.ChiSquare / c.Redundancy)
	switch {
	case !(c.Redundancy > 0):
		return 1, false
	case factor > 1+negligible:
		return factor, c.beyond() < alarm
	case factor < 1-negligible && c.narrows():
		return factor, 1-c.beyond() < alarm
	}
	return factor, false
}

// narrows reports whether sigmas may be found too large. A tolerance is what is known
// beforehand, and no more is known by a bench that keeps within it. Noise is
// measured with the couplings. Residuals of references that are as good as the couplings
// are for the most part those of the couplings, and say nothing of them.
func (c *Component) narrows() bool {
	reference := c.Input == ReferencePosition || c.Input == ReferenceRotation
	return reference && c.Redundancy > 0.5*float64(c.Count)
}

// components are the inputs of a result that have residuals.
func (r *Result) components(reports []StationReport) []Component {
	all := make([]Component, numInputs)
	for i := range all {
		all[i] = Component{Input: min(Input(i), Tolerance), Factor: 1}
		if i >= int(Tolerance) {
			all[i].Group = 1 << (i - int(Tolerance))
		}
	}
	for i := range reports {
		for k, part := range reports[i].Parts {
			all[k].add(part)
		}
	}
	f := r.fit
	for i := range f.layout.columns {
		sigma := f.prior[i]
		if sigma == 0 || f.assumed[i] {
			continue
		}
		c := &f.layout.columns[i]
		change, slope := c.change(f.x[i])
		known := slope / sigma
		all[int(Tolerance)+bits.TrailingZeros16(uint16(c.group))].add(Share{change * change / (sigma * sigma), 1 - known*known*r.inner.At(i, i), 1})
	}
	return slices.DeleteFunc(all, func(c Component) bool { return c.Count == 0 })
}

// typical replaces the sums of the components of stations by what they would be if
// all stations were like the one in the middle: a few that contradict the rest do
// not count. It is the median of χ²/r over that of chi-square (Wilson and Hilferty,
// PNAS 17, 1931), where it is further from 1 than four of its deviations.
func typical(all []Component, reports []StationReport) {
	for k := range all {
		c := &all[k]
		if c.Input == Tolerance {
			continue
		}
		var ratios []float64
		sum := 0.0
		for i := range reports {
			p := &reports[i].Parts[c.Input]
			if r := p.Redundancy; r > 0.5 {
				w := 1 - 2/(9*r)
				ratios, sum = append(ratios, p.ChiSquare/(r*w*w*w)), sum+r
			}
		}
		c.ChiSquare = c.Redundancy
		if len(ratios) == 0 {
			continue
		}
		// The median of n normal numbers scatters by √(π/2n) of their deviation.
		ratio, deviation := statistics.Median(ratios), math.Sqrt(math.Pi/sum)
		if math.Abs(ratio-1) > 4*deviation {
			c.ChiSquare *= ratio
		}
	}
}
