package spectrum

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"

	"tonepose/multitone/window"
)

// lobe is the taper's transform, relative to its middle, as a function of the
// distance in bins. It is that of at most lobeSize samples: a longer taper's
// differs by less than (π·f/lobeSize)²/6 near the middle.
type lobe struct {
	taper    []float64
	power    float64 // Σw²
	sum      float64
	envelope []float64 // |W|² not exceeded from k/envelopeGrid bins on
	beside   float64   // correlation of noise in neighbouring bins
	spread   float64   // Σ over bins of that correlation squared: bins that act as one
}

const (
	lobeSize     = 1024
	envelopeGrid = 8
)

func newLobe(t window.Taper, size int) *lobe {
	n := min(size, lobeSize)
	w := make([]float64, n)
	t.Fill(w)
	l := &lobe{taper: w, sum: floats.Sum(w), power: floats.Dot(w, w)}
	padded := make([]float64, envelopeGrid*n)
	copy(padded, w)
	for _, c := range fourier.NewFFT(len(padded)).Coefficients(nil, padded) {
		a := cmplx.Abs(c) / l.sum
		l.envelope = append(l.envelope, a*a)
	}
	for k := len(l.envelope) - 2; k >= 0; k-- {
		l.envelope[k] = math.Max(l.envelope[k], l.envelope[k+1])
	}
	l.spread = 1
	for m := 1; m < min(16, n/2); m++ {
		c := 0.0
		for i, v := range w {
			c += v * v * math.Cos(2*math.Pi*float64(m)*(float64(i)-float64(n-1)/2)/float64(n))
		}
		c /= l.power
		if m == 1 {
			l.beside = c
		}
		l.spread += 2 * c * c
	}
	return l
}

// at returns W(f)/W(0), real and signed, f in bins.
func (l *lobe) at(f float64) float64 {
	n := len(l.taper)
	half := l.taper[n/2:] // of the symmetric taper, from the middle outwards
	step := 2 * math.Pi * f / float64(n)
	ds, dc := math.Sincos(step)
	s, c := math.Sincos(step * float64(1-n%2) / 2)
	sum := -half[0] / 2 * float64(n%2) // there is one middle sample, or none
	for _, v := range half {
		sum += v * c
		s, c = s*dc+c*ds, c*dc-s*ds
	}
	return 2 * sum / l.sum
}

// leak returns the power, relative to the middle, that a line leaves at least as
// far away as f bins.
func (l *lobe) leak(f float64) float64 {
	return l.envelope[min(int(math.Abs(f)*envelopeGrid), len(l.envelope)-1)]
}

// offset returns how far, 0..0.5 bins, a line lies from its strongest bin towards
// the stronger neighbour, given the amplitude ratio of the two, and the slope
// d ln(ratio)/d offset there.
func (l *lobe) offset(ratio float64) (bins, slope float64) {
	f := func(x float64) float64 { return l.at(1-x) / l.at(x) }
	lo, hi := 0.0, 0.5
	for hi-lo > 1e-7 {
		if mid := (lo + hi) / 2; f(mid) < ratio {
			lo = mid
		} else {
			hi = mid
		}
	}
	bins = (lo + hi) / 2
	const h = 1e-3
	return bins, (math.Log(f(bins+h)) - math.Log(f(bins-h))) / (2 * h)
}

// ratioVariance returns the variance of ln(next/top), the logarithmic ratio of the
// amplitudes in the two strongest bins of a line offset bins from the strongest,
// for noise of power 1 in a bin, averaged over the segments count that overlap so. Seen
// from the line, noise moves the ratio by its product
// with g(u) = w(u)·(e^{j2πδu}/top − e^{j2π(δ−1)u}/next), u = −½..½. What one segment
// counts with one sign a neighbour that overlaps it counts with the other, so that
// the average is far better than the number of segments says.
func (l *lobe) ratioVariance(offset, top, next float64, overlaps []overlap, count int) float64 {
	n := len(l.taper)
	g := make([]complex128, n)
	for i, w := range l.taper {
		u := 2 * math.Pi * (float64(i) - float64(n-1)/2) / float64(n)
		g[i] = complex(w, 0) * (cmplx.Rect(1/top, offset*u) - cmplx.Rect(1/next, (offset-1)*u))
	}
	total := 0.0
	add := func(shift int, times float64) {
		c := 0.0
		for i, v := range g[shift:] {
			c += real(v)*real(g[i]) + imag(v)*imag(g[i])
		}
		total += c * times
	}
	add(0, 1)
	for _, o := range overlaps {
		add(int(math.Round(o.shift*float64(n))), 2*o.share)
	}
	return math.Max(0, total) / (2 * l.power * float64(count))
}
