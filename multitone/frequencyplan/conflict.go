package frequencyplan

import (
	"fmt"
	"math"
	"strings"
)

// Kind tells what a conflict is about.
type Kind int

// Kinds of conflicts, in the order in which Check lists them.
const (
	OffGrid     Kind = iota // not a multiple of 1/WindowS
	OutsideBand             // below LowHz, above HighHz or above the limit to Nyquist
	TooClose                // to another tone
	NearMains
	NearHarmonic  // of a tone, perhaps itself
	NearIntermod2 // a sum or difference of two tones
	NearIntermod3 // of third order
	numberOfKinds = iota
)

// String is the name of a kind in words.
func (k Kind) String() string {
	return [numberOfKinds]string{"off the grid", "outside the band", "too close", "mains harmonic", "harmonic",
		"2nd-order intermodulation", "3rd-order intermodulation"}[k]
}

// Conflict is one reason against a tone.
type Conflict struct {
	Kind  Kind
	Tone  int     // index into the tones given to Check
	Hz    float64 // of that tone
	AtHz  float64 // what it conflicts with, as it shows in the samples
	Cause string  // in words, with frequencies
}

// String is the whole conflict in words.
func (c Conflict) String() string { return fmt.Sprintf("tone %g Hz: %s", c.Hz, c.Cause) }

// Check lists everything that a Spec has against given tones [Hz], in the order
// of Kind and then of tones; none: they are fine. Spec.Tones is ignored.
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
	report := func(k Kind, tone int, at float64, cause string, values ...any) {
		found[k] = append(found[k], Conflict{k, tone, tones[tone], at, fmt.Sprintf(cause, values...)})
	}
	near := slack * g.stepHz
	for i, f := range tones {
		if whole := math.Round(f/g.stepHz) * g.stepHz; math.Abs(f-whole) > near {
			report(OffGrid, i, whole, "not a multiple of 1/%g s = %g Hz; the nearest is %g Hz", g.WindowS, g.stepHz, whole)
		}
		limit := g.LimitOfNyquist * g.RateHz / 2
		switch {
		case f > limit+near:
			report(OutsideBand, i, limit, "above %g Hz, %g of Nyquist", limit, g.LimitOfNyquist)
		case f < g.LowHz-near, f > g.HighHz+near:
			report(OutsideBand, i, math.Min(math.Max(f, g.LowHz), g.HighHz), "outside the band of %g to %g Hz", g.LowHz, g.HighHz)
		}
		for _, other := range tones[:i] {
			if d := math.Abs(f - other); d < g.SpacingHz-near {
				report(TooClose, i, other, "%.6g Hz from the tone at %g Hz, less than the spacing of %g Hz", d, other, g.SpacingHz)
			}
		}
		if d, order, mains := g.mainsDistance(f); d < g.MarginHz-near {
			h := float64(order) * mains
			where := g.alias(h)
			report(NearMains, i, where, "%.6g Hz from mains harmonic %d × %g Hz%s, less than the margin of %g Hz",
				d, order, mains, showsAt(h, where), g.MarginHz)
		}
	}
	products(tones, &g.Spec, func(p product) {
		for i, f := range tones {
			if d := math.Abs(f - p.folded); d < g.MarginHz-near {
				report(p.kind, i, p.folded, "%.6g Hz from %s%s, less than the margin of %g Hz",
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

// alias is where a frequency shows in samples at RateHz.
func (s *Spec) alias(hz float64) float64 {
	return math.Abs(hz - s.RateHz*math.Round(hz/s.RateHz))
}

func showsAt(hz, folded float64) string {
	if math.Abs(hz-folded) < 1e-9*hz {
		return fmt.Sprintf(" = %.10g Hz", hz)
	}
	return fmt.Sprintf(" = %.10g Hz, an alias at %.10g Hz", hz, folded)
}

// product is a frequency Σ factor·tone that distortion makes.
type product struct {
	kind       Kind
	hz, folded float64
	terms      [3]term
}

type term struct{ factor, tone int }

// name is for example "3rd-order intermodulation 2 × 5125 + 6325 Hz".
func (p *product) name(tones []float64) string {
	if p.kind == NearHarmonic {
		return fmt.Sprintf("harmonic %d × %g Hz", p.terms[0].factor, tones[p.terms[0].tone])
	}
	var b strings.Builder
	b.WriteString(p.kind.String() + " ")
	first := true
	for _, t := range p.terms {
		f := t.factor
		switch {
		case f == 0:
			continue
		case f < 0:
			b.WriteString(" − ")
			f = -f
		case !first:
			b.WriteString(" + ")
		}
		first = false
		if f > 1 {
			fmt.Fprintf(&b, "%d × ", f)
		}
		fmt.Fprintf(&b, "%g", tones[t.tone])
	}
	return b.String() + " Hz"
}

// products calls each with every harmonic and intermodulation product of the
// tones that a Spec tells to avoid. Products that contain a tone and its own
// negative (a + b − b) fall on a tone of any set and are left out.
func products(tones []float64, s *Spec, each func(product)) {
	emit := func(k Kind, terms ...term) {
		p := product{kind: k}
		for i, t := range terms {
			p.hz += float64(t.factor) * tones[t.tone]
			p.terms[i] = t
		}
		p.folded = s.alias(p.hz)
		each(p)
	}
	for i := range tones {
		for n := 2; n <= s.Harmonics; n++ {
			emit(NearHarmonic, term{n, i})
		}
	}
	for i := range tones {
		for j := range tones[:i] {
			if s.Intermodulation >= 2 {
				emit(NearIntermod2, term{1, i}, term{1, j})
				emit(NearIntermod2, term{1, i}, term{-1, j})
			}
			if s.Intermodulation < 3 {
				continue
			}
			for _, t := range [][2]term{{{2, i}, {1, j}}, {{2, i}, {-1, j}}, {{2, j}, {1, i}}, {{2, j}, {-1, i}}} {
				emit(NearIntermod3, t[0], t[1])
			}
			for k := range tones[:j] {
				for _, f := range [][2]int{{1, 1}, {1, -1}, {-1, 1}, {-1, -1}} {
					emit(NearIntermod3, term{1, i}, term{f[0], j}, term{f[1], k})
				}
			}
		}
	}
}
