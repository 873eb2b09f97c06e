package frequencyplan

import (
	"fmt"
	"math"
	"strings"

	"tonepose/multitone/spectrum"
)

// kind tells what a conflict is about, in the order in which Check lists them.
type kind int

const (
	offGrid     kind = iota // not a multiple of 1/WindowS
	outsideBand             // below LowHz, above HighHz or above the limit to Nyquist
	tooClose                // to another tone
	nearMains
	nearHarmonic  // of a tone, perhaps itself
	nearIntermod2 // a sum or difference of two tones
	nearIntermod3 // of third order
	numberOfKinds = iota
)

// Conflict is one reason against a tone.
type Conflict struct {
	Tone int // index into the tones given to Check
	text string
}

// String is the whole conflict in words, with frequencies.
func (c Conflict) String() string { return c.text }

// Check lists everything that a Spec has against given tones [Hz]: that they lie
// off the grid, outside the band, too close together, near mains harmonics, near
// harmonics of tones, near 2nd- and 3rd-order intermodulation, in this order and
// then in that of the tones; none: they are fine. Spec.Tones is ignored.
func Check(s Spec, tones []float64) ([]Conflict, error) {
	g, err := newGrid(s)
	if err != nil {
		return nil, err
	}
	if len(tones) > maxTones {
		return nil, &SpecError{"tones", len(tones), "must be 64 at most"}
	}
	for _, f := range tones {
		if !(f > 0) || math.IsInf(f, 1) {
			return nil, &SpecError{"tone", f, "must be positive and finite"}
		}
	}
	var found [numberOfKinds][]Conflict
	report := func(k kind, tone int, cause string, values ...any) {
		found[k] = append(found[k], Conflict{tone, fmt.Sprintf("tone %g Hz: ", tones[tone]) + fmt.Sprintf(cause, values...)})
	}
	near := slack * g.stepHz
	for i, f := range tones {
		if whole := math.Round(f/g.stepHz) * g.stepHz; math.Abs(f-whole) > near {
			report(offGrid, i, "not a multiple of 1/%g s = %g Hz; the nearest is %g Hz", g.WindowS, g.stepHz, whole)
		}
		limit := limitOfNyquist * g.RateHz / 2
		switch {
		case f > limit+near:
			report(outsideBand, i, "above %g Hz, %g of Nyquist", limit, limitOfNyquist)
		case f < g.LowHz-near, f > g.HighHz+near:
			report(outsideBand, i, "outside the band of %g to %g Hz", g.LowHz, g.HighHz)
		}
		for _, other := range tones[:i] {
			if d := math.Abs(f - other); d < g.SpacingHz-near {
				report(tooClose, i, "%.6g Hz from the tone at %g Hz, less than the spacing of %g Hz", d, other, g.SpacingHz)
			}
		}
		if d, order, mains := g.mainsDistance(f); d < g.MarginHz-near {
			h := float64(order) * mains
			where := spectrum.Alias(h, g.RateHz)
			report(nearMains, i, "%.6g Hz from mains harmonic %d × %g Hz%s, less than the margin of %g Hz",
				d, order, mains, showsAt(h, where), g.MarginHz)
		}
	}
	products(tones, g.RateHz, func(p product) {
		for i, f := range tones {
			if d := math.Abs(f - p.folded); d < g.MarginHz-near {
				report(p.kind, i, "%.6g Hz from %s%s, less than the margin of %g Hz",
					d, p.name(tones), showsAt(math.Abs(p.hz), p.folded), g.MarginHz)
			}
		}
	})
	var all []Conflict
	for _, f := range found {
		all = append(all, f...)
	}
	return all, nil
}

func showsAt(hz, folded float64) string {
	if math.Abs(hz-folded) < 1e-9*hz {
		return fmt.Sprintf(" = %.10g Hz", hz)
	}
	return fmt.Sprintf(" = %.10g Hz, an alias at %.10g Hz", hz, folded)
}

// product is a frequency Σ factor·tone that distortion makes.
type product struct {
	kind       kind
	hz, folded float64
	terms      [3]term
}

type term struct{ factor, tone int }

// name is for example "3rd-order intermodulation 2 × 5125 + 6325 Hz".
func (p *product) name(tones []float64) string {
	if p.kind == nearHarmonic {
		return fmt.Sprintf("harmonic %d × %g Hz", p.terms[0].factor, tones[p.terms[0].tone])
	}
	order := "2nd"
	if p.kind == nearIntermod3 {
		order = "3rd"
	}
	var b strings.Builder
	for i, t := range p.terms {
		f := t.factor
		switch {
		case f < 0:
			b.WriteString(" − ")
			f = -f
		case f > 0 && i > 0:
			b.WriteString(" + ")
		}
		if f > 1 {
			fmt.Fprintf(&b, "%d × ", f)
		}
		if f > 0 {
			fmt.Fprintf(&b, "%g", tones[t.tone])
		}
	}
	return order + "-order intermodulation " + b.String() + " Hz"
}

// products calls each with every harmonic and intermodulation product of the
// tones. Products that contain a tone and its own negative (a + b − b) fall on a
// tone of any set and are left out.
func products(tones []float64, rateHz float64, each func(product)) {
	for i := range tones {
		productsOf(i, tones, rateHz, each)
	}
}

// productsOf calls each with the products of tone i and those before it.
func productsOf(i int, tones []float64, rateHz float64, each func(product)) {
	emit := func(k kind, terms ...term) {
		p := product{kind: k}
		for i, t := range terms {
			p.hz += float64(t.factor) * tones[t.tone]
			p.terms[i] = t
		}
		p.folded = spectrum.Alias(p.hz, rateHz)
		each(p)
	}
	for n := 2; n <= harmonics; n++ {
		emit(nearHarmonic, term{n, i})
	}
	for j := range tones[:i] {
		emit(nearIntermod2, term{1, i}, term{1, j})
		emit(nearIntermod2, term{1, i}, term{-1, j})
		for _, t := range [][2]term{{{2, i}, {1, j}}, {{2, i}, {-1, j}}, {{2, j}, {1, i}}, {{2, j}, {-1, i}}} {
			emit(nearIntermod3, t[0], t[1])
		}
		for k := range tones[:j] {
			for _, f := range [][2]int{{1, 1}, {1, -1}, {-1, 1}, {-1, -1}} {
				emit(nearIntermod3, term{1, i}, term{f[0], j}, term{f[1], k})
			}
		}
	}
}
