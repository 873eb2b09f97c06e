// Package frequencyplan chooses and checks the tones of a bench, and does the
// arithmetic of averaging.
//
// Choose finds tones that are orthogonal over a window and keep clear of mains
// harmonics, of each other's harmonics, of 2nd- and 3rd-order intermodulation
// and of the aliases of all these; Check lists in words what is wrong with given
// tones. CrestFactor, SchroederPhases, NewmanPhases and LowCrest see to it that
// tones that share an amplifier or an ADC channel do not all peak at once.
// Average works out, from any sufficient few of density, bandwidth, time, bits,
// signal and so on, the rest.
//
// A Spec says what tones are chosen for: sample rate, window, band, and how far they keep
// from what. Frequencies are in hertz, times in seconds, phases in radians; Quantity.Unit
// tells the units of averaging.
//
// It serves the command; see multitone for what to build on.
package frequencyplan

import (
	"fmt"
	"math"
)

// Spec says what tones are wanted. The zero value of a field means its default.
type Spec struct {
	Tones   int     // how many, 1 to 64
	LowHz   float64 // lower end of the band; default one step of the grid
	HighHz  float64 // upper end; default and at most a quarter of RateHz
	RateHz  float64 // of the ADC
	WindowS float64 // tones are multiples of 1/WindowS; a whole number of samples

	MainsHz []float64 // 50, 60 or both; every harmonic up to RateHz counts, with its alias
	// MarginHz is how far a tone keeps from everything below; default half a
	// step of the grid, which means: not on it.
	MarginHz float64
	// SpacingHz is the least distance between tones; default and at least
	// the larger of MarginHz and one step of the grid.
	SpacingHz float64
}

const (
	// limitOfNyquist bounds the band, as a share of RateHz/2: second harmonics do
	// not fold back.
	limitOfNyquist = 0.5
	// harmonics is the highest order of a tone's harmonics that another must avoid.
	harmonics = 5

	// Limits on what Choose and Check take on.
	maxTones  = 64
	maxWindow = 1 << 24 // samples
)

// grid is a checked Spec in whole numbers: frequencies in steps of
// RateHz/samples, so that products and aliases are exact.
type grid struct {
	Spec            // with its defaults filled in
	given   Spec    // as it came
	topHz   float64 // upper end of the band
	samples int     // of a window: the ADC's rate in steps
	stepHz  float64 // 1/WindowS
	lo, hi  int     // band, inclusive
	guard   int     // least distance to a product
	spacing int     // least distance between tones
}

// SpecError is a field of a Spec that cannot be.
type SpecError struct {
	Field string
	Value any
	Must  string
}

func (e *SpecError) Error() string {
	return fmt.Sprintf("frequencyplan: %s = %v: %s", e.Field, e.Value, e.Must)
}

func newGrid(s Spec) (*grid, error) {
	positive := func(v float64) bool { return v > 0 && !math.IsInf(v, 1) }
	if !positive(s.RateHz) {
		return nil, &SpecError{"RateHz", s.RateHz, "must be positive and finite"}
	}
	samples := s.RateHz * s.WindowS
	if !(samples >= 4 && samples <= maxWindow) {
		return nil, &SpecError{"WindowS", s.WindowS, fmt.Sprintf("must hold 4 to %d samples at %g Hz", maxWindow, s.RateHz)}
	}
	if whole := math.Round(samples); math.Abs(samples-whole) > 1e-6 {
		return nil, &SpecError{"WindowS", s.WindowS, fmt.Sprintf("holds %.4f samples at %g Hz, must hold a whole number: try %.9g s",
			samples, s.RateHz, whole/s.RateHz)}
	}
	g := &grid{Spec: s, given: s, samples: int(math.Round(samples))}
	g.stepHz = s.RateHz / float64(g.samples)
	if g.MarginHz == 0 {
		g.MarginHz = g.stepHz / 2
	}
	for _, d := range []struct {
		field string
		value *float64
		def   float64
	}{
		{"MarginHz", &g.MarginHz, 0},
		{"SpacingHz", &g.SpacingHz, math.Max(g.MarginHz, g.stepHz)},
		{"LowHz", &g.LowHz, g.stepHz},
		{"HighHz", &g.HighHz, limitOfNyquist * s.RateHz / 2},
	} {
		if *d.value == 0 {
			*d.value = d.def
		}
		if !positive(*d.value) {
			return nil, &SpecError{d.field, *d.value, "must be positive and finite"}
		}
	}
	for _, m := range s.MainsHz {
		if !positive(m) {
			return nil, &SpecError{"MainsHz", m, "must be positive and finite"}
		}
	}
	g.SpacingHz = math.Max(g.SpacingHz, math.Max(g.MarginHz, g.stepHz))
	g.guard = g.steps(g.MarginHz)
	g.spacing = g.steps(g.SpacingHz)
	g.topHz = math.Min(g.HighHz, limitOfNyquist*s.RateHz/2)
	g.lo = g.steps(g.LowHz)
	g.hi = int(math.Floor(g.topHz/g.stepHz + slack))
	return g, nil
}

// slack forgives rounding where hertz become steps.
const slack = 1e-6

// steps rounds a distance or frequency up to steps, at least one.
func (g *grid) steps(hz float64) int { return max(1, int(math.Ceil(hz/g.stepHz-slack))) }

// hz is a frequency in steps.
func (g *grid) hz(steps int) float64 { return float64(steps) * g.RateHz / float64(g.samples) }

// fold is where a product of the given frequency shows in samples.
func (g *grid) fold(steps int) int {
	p := steps
	if p < 0 {
		p = -p
	}
	if p >= g.samples {
		p %= g.samples
	}
	return min(p, g.samples-p)
}

// mainsDistance is the distance [Hz] of hz to the nearest mains harmonic up to
// the sample rate or its alias, and the harmonic's order and family.
func (s *Spec) mainsDistance(hz float64) (distance float64, order int, mains float64) {
	distance = math.Inf(1)
	for _, m := range s.MainsHz {
		for _, at := range []float64{hz, s.RateHz - hz} { // the second folds onto the first
			h := math.Max(1, math.Round(at/m))
			if h*m > s.RateHz {
				h = math.Floor(s.RateHz / m)
			}
			if d := math.Abs(at - h*m); d < distance-1e-9 {
				distance, order, mains = d, int(h), m
			}
		}
	}
	return distance, order, mains
}
