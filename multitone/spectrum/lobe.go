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
	farthest float64   // ln W(1)/W(0)
	itself   products
	beside   float64 // correlation of noise in neighbouring bins
	spread   float64 // Σ over bins of that correlation squared: bins that act as one
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
	l.farthest, l.itself = math.Log(max(l.at(1), 1e-12)), l.products(0)
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
	first := float64(1-n%2) / 2
	// Four cosines side by side need not wait for each other.
	var s, c [4]float64
	for k := range s {
		s[k], c[k] = math.Sincos(step * (first + float64(k)))
	}
	ds, dc := math.Sincos(4 * step)
	sum := -half[0] / 2 * float64(n%2) // there is one middle sample, or none
	for ; len(half) >= 4; half = half[4:] {
		sum += half[0]*c[0] + half[1]*c[1] + (half[2]*c[2] + half[3]*c[3])
		for k := range s {
			s[k], c[k] = s[k]*dc+c[k]*ds, c[k]*dc-s[k]*ds
		}
	}
	for k, v := range half {
		sum += v * c[k]
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
	f := func(x float64) float64 { return math.Log(l.at(1-x) / l.at(x)) }
	// The logarithm is nearly a straight line: false position, Illinois' way (Dowell and
	// Jarratt, BIT 11, 1971; not checked against the original).
	lo, hi := 0.0, 0.5
	below, above := l.farthest-math.Log(ratio), -math.Log(ratio)
	switch {
	case below >= 0:
		bins = lo
	case above <= 0:
		bins = hi
	default:
		for side, was := 0, -1.0; math.Abs(bins-was) > 1e-9; {
			was, bins = bins, lo-below*(hi-lo)/(above-below)
			switch v := f(bins) - math.Log(ratio); {
			case v < 0:
				if lo, below = bins, v; side < 0 {
					above /= 2
				}
				side = -1
			default:
				if hi, above = bins, v; side > 0 {
					below /= 2
				}
				side = 1
			}
		}
	}
	const h = 1e-3
	return bins, (f(bins+h) - f(bins-h)) / (2 * h)
}

// ratioVariance returns the variance of ln(next/top), the logarithmic ratio of the
// amplitudes in the two strongest bins of a line offset bins from the strongest,
// for noise of power 1 in a bin, averaged over the segments count that overlap so. Seen
// from the line, noise moves the ratio by its product
// with g(u) = w(u)·(e^{j2πδu}/top − e^{j2π(δ−1)u}/next), u = −½..½. What one segment
// counts with one sign a neighbour that overlaps it counts with the other, so that
// the average is far better than the number of segments says.
func (l *lobe) ratioVariance(offset, top, next float64, overlaps []overlap, count int) float64 {
	// g* with itself a shift of Δ = 2π·shift later, as Σw[i]w[i+D] and the same times cosine
	// and sine of 2πu make it.
	total := 0.0
	add := func(shift float64, p products, times float64) {
		delta := 2 * math.Pi * shift
		s1, c1 := math.Sincos(offset * delta)
		s2, c2 := math.Sincos((offset - 1) * delta)
		total += times * (p.plain*(c1/(top*top)+c2/(next*next)) - (p.cosine*(c1+c2)+p.sine*(s2-s1))/(top*next))
	}
	add(0, l.itself, 1)
	for _, o := range overlaps {
		add(math.Round(o.shift*float64(len(l.taper)))/float64(len(l.taper)), o.products, 2*o.share)
	}
	return math.Max(0, total) / (2 * l.power * float64(count))
}

// products of a taper's samples with those a shift later: summed, and times the cosine
// and the sine of 2πu, u = −½..½ being the place of the earlier one.
type products struct{ plain, cosine, sine float64 }

// products are those of the taper with itself, a share of its length later.
func (l *lobe) products(share float64) (p products) {
	n := len(l.taper)
	for i, v := range l.taper[int(math.Round(share*float64(n))):] {
		v *= l.taper[i]
		s, c := math.Sincos(2 * math.Pi * (float64(i) - float64(n-1)/2) / float64(n))
		p.plain += v
		p.cosine += v * c
		p.sine += v * s
	}
	return p
}
