package sine

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/stat"

	"tonepose/multitone/spectrum"
)

// peak is a line of a spectrum.
type peak struct{ hz, amplitude float64 }

// lineSpectrum is the amplitude spectrum of a short series under a Hann
// window, zero-padded at least twice so that no peak falls between bins.
type lineSpectrum struct {
	step      float64   // [Hz]
	amplitude []float64 // peak
	lobe      int       // steps from a line's peak to its first zero
	floor     float64   // median
}

func newLineSpectrum(x []float64, rate float64) *lineSpectrum {
	n := len(x)
	mean := stat.Mean(x, nil)
	size := 1 << int(math.Ceil(math.Log2(float64(2*n))))
	padded := make([]float64, size)
	for i, v := range x {
		padded[i] = (v - mean) * (0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n)))
	}
	s := &lineSpectrum{step: rate / float64(size), lobe: 2 * size / n}
	for _, v := range fourier.NewFFT(size).Coefficients(nil, padded) {
		s.amplitude = append(s.amplitude, math.Hypot(real(v), imag(v))*4/float64(n))
	}
	sorted := slices.Sorted(slices.Values(s.amplitude))
	s.floor = sorted[len(sorted)/2]
	return s
}

// peaks lists what stands at least ten times over the floor, the largest
// first, between two frequencies.
func (s *lineSpectrum) peaks(lo, hi float64) (list []peak) {
	from := max(s.lobe/2, int(lo/s.step), 1)
	to := min(len(s.amplitude)-1, int(hi/s.step)+1)
	for i := from; i < to; i++ {
		a, b, c := s.amplitude[i-1], s.amplitude[i], s.amplitude[i+1]
		if b < a || b < c || b == 0 || b < 10*s.floor {
			continue
		}
		shift := 0.0
		if d := math.Log(a) - 2*math.Log(b) + math.Log(c); d < 0 && a > 0 && c > 0 {
			shift = 0.5 * (math.Log(a) - math.Log(c)) / d
		}
		list = append(list, peak{(float64(i) + shift) * s.step, b})
	}
	slices.SortFunc(list, func(p, q peak) int { return cmp.Compare(q.amplitude, p.amplitude) })
	return list
}

// strongest picks the tone of a reference: the largest line, but the mains only
// if there is no other of a tenth of it.
func strongest(peaks []peak) (peak, bool) {
	if len(peaks) == 0 {
		return peak{}, false
	}
	best := peaks[0]
	if !mainsLike(best.hz) {
		return best, true
	}
	for _, p := range peaks[1:] {
		if p.amplitude < best.amplitude/10 {
			break
		}
		ratio := p.hz / best.hz
		if !mainsLike(p.hz) && math.Abs(ratio-math.Round(ratio)) > 0.01 && p.hz > 10 {
			return p, true
		}
	}
	return best, true
}

// mainsLike tells whether a frequency is the mains or its second or third
// harmonic.
func mainsLike(hz float64) bool {
	for _, mains := range []float64{50, 60} {
		for h := 1.0; h <= 3; h++ {
			if math.Abs(hz-h*mains) <= 0.6*h {
				return true
			}
		}
	}
	return false
}

// present lists the harmonics of hz, from the second on, that stand out in any
// of the spectra, also where they fold back below half the rate.
func present(hz, rate float64, spectra ...*lineSpectrum) (list []int) {
	const most = 64
	for h := 2; h <= most && len(list) < 24; h++ {
		at := spectrum.Alias(float64(h)*hz, rate)
		for _, s := range spectra {
			i := int(math.Round(at / s.step))
			if i < 3*s.lobe || i+3*s.lobe >= len(s.amplitude) {
				continue
			}
			around := append(slices.Clone(s.amplitude[i-3*s.lobe:i-s.lobe]), s.amplitude[i+s.lobe:i+3*s.lobe]...)
			slices.Sort(around)
			top := slices.Max(s.amplitude[i-1 : i+2])
			if top > 6*around[len(around)/2] && !s.hidden(at, top, peak{hz, s.amplitude[int(math.Round(hz/s.step))]}) {
				list = append(list, h)
				break
			}
		}
	}
	return list
}

// hidden tells whether what is seen at hz may be no more than a sidelobe of a
// peak: under a Hann window these fall as 1/d(d²−1), d in bins.
func (s *lineSpectrum) hidden(hz, amplitude float64, p peak) bool {
	d := 2 * math.Abs(hz-p.hz) / (float64(s.lobe) * s.step) // a lobe is two bins
	return d < 3 || amplitude < 3*p.amplitude/(math.Pi*d*(d*d-1))
}

// disturbing lists the strongest lines that are no harmonics of hz; they are
// far enough from it and from each other to be resolved.
func (s *lineSpectrum) disturbing(peaks []peak, hz float64) (list []float64) {
	const most = 6
	apart := float64(s.lobe) * s.step
	for _, p := range peaks {
		order := math.Round(p.hz / hz)
		clear := p.hz > apart && (order < 1 || math.Abs(p.hz-order*hz) > apart) && p.amplitude > 30*s.floor
		for _, q := range peaks {
			clear = clear && (q.amplitude <= p.amplitude || !s.hidden(p.hz, p.amplitude, q))
		}
		if clear && len(list) < most {
			list = append(list, p.hz)
		}
	}
	return list
}
