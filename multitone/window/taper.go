// Package window weighs samples: tapers for estimates over a frame, low-passes
// for continuous averaging, and the figures of merit of both.
//
//	t, err := window.ByName("hann")   // or kaiser:3, dolph-chebyshev:80, …
//	w := make([]float64, 2048)
//	t.Fill(w)
//	m := window.Figures(w)            // m.NENBW = 1.5 bins
//
//	f, err := window.Design(window.Spec{Kind: window.Cascade, Order: 4, ENBWHz: 10}, 100e3)
//	g := f.NewFilter(64)              // one output every 64 inputs
//	n := g.Process(dst, src)
//
// The equivalent noise bandwidth of a low-pass is one-sided and in hertz:
// 1/(2T) for a plain average over T, 1/(4τ) for one first-order stage,
// NENBW·fs/(2N) for a taper of N samples at the rate fs.
//
// It serves the command; see multitone for what to build on.
package window

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/floats"
)

// Taper is a weighting of the samples of one frame, largest (1) in the middle.
// The zero value is not a taper; use ByName.
type Taper struct {
	Name  string // the name that ByName understands
	terms []float64
	shape func(v float64) float64 // weight at v = −1..1 from the middle
	fill  func(dst []float64)     // for shapes that exist for N samples only
}

// Fill writes the taper's N = len(dst) weights, dimensionless,
//
//	dst[n] = w(v), v = (2n − (N−1))/N,
//
// exactly symmetric about (N−1)/2, which demodulation needs: the phasor then
// belongs to the frame's middle. The samples are those of a continuous shape of
// duration N sample intervals, each taken in the middle of its interval. Two
// other customs exist: "DFT-even" takes v = 2n/N − 1, so that the middle is N/2
// and the frame looks half a sample late, and "symmetric" takes v = 2n/(N−1) − 1,
// so that the edges are sampled and every figure of merit shifts by about 1/N.
// Fill keeps the exact sums of the first (a cosine sum of K terms over N ≥ 2K
// samples has coherent gain a₀ and NENBW (a₀² + Σaₖ²/2)/a₀², whatever N) and the
// symmetry of the second.
func (t Taper) Fill(dst []float64) {
	if t.fill != nil {
		t.fill(dst)
		return
	}
	n := len(dst)
	for i := 0; i < (n+1)/2; i++ {
		w := t.shape(float64(2*i-(n-1)) / float64(n))
		dst[i], dst[n-1-i] = w, w
	}
}

// Coefficients returns aₖ of w(v) = Σ aₖ cos(πkv), v = −1..1, Σaₖ = 1, or nil for
// a taper that is not a sum of cosines. Counted from the frame's first sample
// the signs alternate.
func (t Taper) Coefficients() []float64 {
	return slices.Clone(t.terms)
}

// ByName returns the taper of that name, letter case ignored. Names with a
// parameter are written name:value, such as kaiser:3, tukey:0.25,
// dolph-chebyshev:80. The error for an unknown name lists the known ones.
func ByName(name string) (Taper, error) {
	key, arg, hasArg := strings.Cut(strings.ToLower(strings.TrimSpace(name)), ":")
	if key == "rectangular" {
		key = "boxcar"
	}
	if p, ok := parametric[key]; ok {
		if !hasArg {
			return Taper{}, fmt.Errorf("window: taper %q needs a parameter: %s:%s", name, key, p.meaning)
		}
		x, err := strconv.ParseFloat(arg, 64)
		if err != nil {
			return Taper{}, fmt.Errorf("window: taper %q: %q is not a number: want %s:%s", name, arg, key, p.meaning)
		}
		if !(x >= p.least && x <= p.most) {
			return Taper{}, fmt.Errorf("window: taper %q: %s must lie in %g..%g", name, p.meaning, p.least, p.most)
		}
		t := Taper{Name: key + ":" + strconv.FormatFloat(x, 'g', -1, 64)}
		if p.shape != nil {
			t.shape = p.shape(x)
		} else {
			t.fill = func(dst []float64) { fillChebyshev(dst, math.Pow(10, x/20)) }
		}
		return t, nil
	}
	if hasArg {
		key = "" // a fixed taper takes no parameter; fall through to the list
	}
	if a, ok := cosineSums[key]; ok {
		return cosineSum(key, a), nil
	}
	if f, ok := fixedShapes[key]; ok {
		return Taper{Name: key, shape: f}, nil
	}
	return Taper{}, fmt.Errorf("window: unknown taper %q: want one of %s", name, strings.Join(Names(), ", "))
}

// ForFit returns the taper of that name under which sinusoids can be fitted by least squares:
// a sum of cosines, whose spectrum and so the fit's Gram matrix have a closed form, that weighs
// no sample negatively, with which the sum of squares would have no least. Flat-tops do; what they
// are for, amplitudes of tones whose frequency is not known, a fit at the known frequency needs not.
func ForFit(name string) (Taper, error) {
	t, err := ByName(name)
	switch {
	case err != nil:
		return Taper{}, err
	case t.terms == nil:
		return Taper{}, errors.New("must be a sum of cosines, as hann or rectangular")
	case t.negative():
		return Taper{}, errors.New("weighs some samples negatively, as flat-tops do, under which tones cannot be fitted: name hann or blackman-harris")
	}
	return t, nil
}

// negative tells whether a sum of cosines is below zero somewhere, by more than its coefficients
// are rounded by.
func (t Taper) negative() bool {
	steps := 32 * len(t.terms) // far more than it has extremes
	for i := range steps + 1 {
		if t.shape(float64(i)/float64(steps)) < -1e-4 {
			return true
		}
	}
	return false
}

// Names lists what ByName understands, sorted; parameters stand as name:MEANING.
func Names() []string {
	names := slices.AppendSeq(slices.Collect(maps.Keys(cosineSums)), maps.Keys(fixedShapes))
	for k, p := range parametric {
		names = append(names, k+":"+p.meaning)
	}
	slices.Sort(names)
	return names
}

// cosineSum returns w(v) = Σ aₖ cos(πkv), v = −1..1, divided by Σaₖ so that the
// middle is 1. The coefficients are those of the middle: all positive for the
// usual tapers, while tables that count from the frame's edge alternate the sign.
func cosineSum(name string, a []float64) Taper {
	terms := slices.Clone(a)
	floats.Scale(1/floats.Sum(a), terms)
	return Taper{Name: name, terms: terms, shape: func(v float64) float64 {
		// Clenshaw's recurrence for Σ aₖ Tₖ(cos πv).
		c := 2 * math.Cos(math.Pi*v)
		b1, b2 := 0.0, 0.0
		for k := len(terms) - 1; k > 0; k-- {
			b1, b2 = terms[k]+c*b1-b2, b1
		}
		return terms[0] + c/2*b1 - b2
	}}
}
