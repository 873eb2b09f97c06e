// Package spectrum looks at a recorded channel in the frequency domain: density,
// noise floor, lines and what they are, flicker, the mains, skirts of a tone.
//
//	w, err := spectrum.NewWelch(100e3, spectrum.Options{Size: spectrum.SmoothSize(65536)})
//	w.Add(block)                          // as often as there are samples
//	d := w.Density()                      // one-sided, V²/Hz
//	floor := d.Floor(64)
//	lines := d.Lines(floor, 1e-3)         // frequency, amplitude, significance
//	c := spectrum.NewCatalogue(100e3, tones, m)
//	e := c.Explain(lines[0].Hz, lines[0].ToleranceHz)
//
// The unit V stands for whatever the samples are in. Nothing here reads files.
//
// It serves the command; see multitone for what to build on.
package spectrum

import (
	"fmt"
	"math"
	"math/bits"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/multitone/window"
)

// Options tunes NewWelch. The zero value of a field means its default.
type Options struct {
	// Size is the segment's length in samples; the resolution is NENBW·fs/Size.
	// Default 16384. Powers of two transform fastest, those of four above all; other
	// sizes from SmoothSize take three times as long, large prime factors far longer.
	Size int
	// Taper defaults to the minimum 4-term Blackman–Harris: tones on a bench stand
	// 100 dB above the floor, and its sidelobes stay 92 dB down. Hann resolves finer
	// and leaks more.
	Taper window.Taper
	// Overlap is the share of a segment that the next one uses again, 0 ≤ Overlap < 1;
	// default 2/3, near which a Blackman–Harris taper gives every sample almost equal
	// weight (Heinzel et al. 2002, Appendix C: 66.1 %). noOverlap means 0.
	Overlap float64
	// keepMean leaves the mean of each segment in. By default it is taken off, so
	// that an offset does not leak into the lowest bins.
	keepMean bool
}

// noOverlap is the Overlap of segments laid end to end.
const noOverlap = -1

// Welch accumulates an averaged periodogram from a stream, in bounded memory.
//
// Source: Welch, IEEE Trans. Audio and Electroacoustics 15(2), 1967.
type Welch struct {
	rateHz  float64
	hop     int
	mean    bool
	taper   []float64
	power   float64 // Σw²
	shape   window.Taper
	pending []float64 // the segment being filled
	filled  int
	pair    []complex128                      // two tapered segments, one in each part
	half    bool                              // the real part is taken
	fft     func(z []complex128) []complex128 // in place
	sum     []float64                         // of |X|²
	used    int
	skipped int
}

// NewWelch returns an empty accumulator for samples at sampleRateHz.
func NewWelch(sampleRateHz float64, o Options) (*Welch, error) {
	if !(sampleRateHz > 0) || math.IsInf(sampleRateHz, 0) {
		return nil, fmt.Errorf("spectrum: sample rate %g Hz: must be positive and finite", sampleRateHz)
	}
	switch {
	case o.Size == 0:
		o.Size = 16384
	case o.Size < 16:
		return nil, fmt.Errorf("spectrum: segments of %d samples: must be at least 16", o.Size)
	}
	switch {
	case o.Overlap == noOverlap:
		o.Overlap = 0
	case o.Overlap == 0:
		o.Overlap = 2.0 / 3
	case !(o.Overlap > 0 && o.Overlap < 1):
		return nil, fmt.Errorf("spectrum: overlap %g: must lie in 0..1, 1 excluded", o.Overlap)
	}
	if o.Taper.Name == "" {
		t, err := window.ByName("blackman-harris")
		if err != nil {
			return nil, err
		}
		o.Taper = t
	}
	w := &Welch{
		rateHz: sampleRateHz, mean: !o.keepMean, shape: o.Taper,
		hop:     max(1, int(math.Round(float64(o.Size)*(1-o.Overlap)))),
		taper:   make([]float64, o.Size),
		pending: make([]float64, o.Size),
		pair:    make([]complex128, o.Size),
		fft:     transform(o.Size),
		sum:     make([]float64, o.Size/2+1),
	}
	o.Taper.Fill(w.taper)
	for _, v := range w.taper {
		w.power += v * v
	}
	return w, nil
}

// transform returns the fastest transform in place that there is for the size.
func transform(size int) func([]complex128) []complex128 {
	if twos := bits.TrailingZeros(uint(size)); size == 1<<twos {
		if twos%2 == 0 {
			return fourier.CoefficientsRadix4
		}
		return fourier.CoefficientsRadix2
	}
	fft := fourier.NewCmplxFFT(size)
	return func(z []complex128) []complex128 { return fft.Coefficients(z, z) }
}

// SmoothSize returns the smallest size ≥ n, at least 16, that is even and has no
// prime factor above 5: sizes that the Fourier transform does fast.
func SmoothSize(n int) int {
	for n = max(n, 16); ; n++ {
		m := n
		for _, p := range []int{2, 3, 5} {
			for m%p == 0 {
				m /= p
			}
		}
		if m == 1 && n%2 == 0 {
			return n
		}
	}
}

// Add takes the next samples of the stream, any number of them. It does not
// allocate. A segment that holds a NaN or an infinity is left out and counted.
func (w *Welch) Add(block []float64) {
	for len(block) > 0 {
		n := copy(w.pending[w.filled:], block)
		block = block[n:]
		w.filled += n
		if w.filled == len(w.pending) {
			w.segment()
			w.filled = copy(w.pending, w.pending[w.hop:])
		}
	}
}

// Break says that the next sample does not follow the last one: a gap. The segment
// begun is dropped.
func (w *Welch) Break() { w.filled = 0 }

func (w *Welch) segment() {
	mean := 0.0
	for _, v := range w.pending {
		mean += v
	}
	mean /= float64(len(w.pending))
	if math.IsNaN(mean) || math.IsInf(mean, 0) {
		w.skipped++
		return
	}
	if !w.mean {
		mean = 0
	}
	if !w.half {
		for i, v := range w.pending {
			w.pair[i] = complex((v-mean)*w.taper[i], 0)
		}
	} else {
		for i, v := range w.pending {
			w.pair[i] = complex(real(w.pair[i]), (v-mean)*w.taper[i])
		}
		w.fft(w.pair)
		addPair(w.sum, w.pair)
	}
	w.half = !w.half
	w.used++
}

// addPair adds |X|² of both segments that were transformed as one, Z = X₁ + jX₂:
// X of real samples is X₁[k] = (Z[k]+Z*[N−k])/2 and so on, and the sum of the
// squares is (|Z[k]|² + |Z[N−k]|²)/2.
func addPair(sum []float64, z []complex128) {
	for k := range sum {
		a, b := z[k], z[(len(z)-k)%len(z)]
		sum[k] += (real(a)*real(a) + imag(a)*imag(a) + real(b)*real(b) + imag(b)*imag(b)) / 2
	}
}

// Density is a one-sided power spectral density.
type Density struct {
	rateHz   float64
	StepHz   float64   // PSD[k] belongs to k·StepHz
	PSD      []float64 // [V²/Hz], 0..fs/2
	Segments int       // averaged
	skipped  int       // left out for samples that are not finite
	dof      float64   // equivalent degrees of freedom of PSD[k]; half of it at 0 and fs/2
	ENBWHz   float64   // equivalent noise bandwidth of one bin

	lobe *lobe
	hop  float64 // distance of segments over their length
}

// Density returns what has been accumulated so far. PSD is all NaN before the
// first segment is full.
func (w *Welch) Density() *Density {
	n := len(w.taper)
	d := &Density{
		rateHz: w.rateHz, StepHz: w.rateHz / float64(n), PSD: make([]float64, len(w.sum)),
		Segments: w.used, skipped: w.skipped, hop: float64(w.hop) / float64(n),
		ENBWHz: window.NENBW(w.taper) * w.rateHz / float64(n),
		lobe:   newLobe(w.shape, n),
	}
	d.dof = w.freedom()
	copy(d.PSD, w.sum)
	if w.half { // one segment still waits for its partner
		z := append([]complex128(nil), w.pair...)
		w.fft(z)
		addPair(d.PSD, z)
	}
	scale := 2 / (w.rateHz * w.power * float64(w.used))
	for k := range d.PSD {
		d.PSD[k] *= scale
	}
	d.PSD[0] /= 2
	if n%2 == 0 {
		d.PSD[n/2] /= 2
	}
	return d
}

// freedom returns Welch's equivalent degrees of freedom of the averaged power,
// 2K/(1 + 2Σ_{j<K} (1−j/K) ρⱼ²) with ρⱼ = Σ w[n] w[n+jD]/Σw² for segments D apart.
func (w *Welch) freedom() float64 {
	if w.used == 0 {
		return 0
	}
	k := float64(w.used)
	squares := 1.0
	for j := 1; j < w.used && j*w.hop < len(w.taper); j++ {
		rho := 0.0
		for i, v := range w.taper[j*w.hop:] {
			rho += v * w.taper[i]
		}
		rho /= w.power
		squares += 2 * (1 - float64(j)/k) * rho * rho
	}
	return 2 * k / squares
}

// Interval returns the factors by which PSD[k] times lo and hi bounds the true
// density with the given confidence (0.95): ν/χ²_ν quantiles. At 0 Hz and fs/2 the
// interval is wider than this.
func (d *Density) Interval(confidence float64) (lo, hi float64) {
	if !(confidence > 0 && confidence < 1) || d.dof == 0 {
		return math.NaN(), math.NaN()
	}
	chi := distuv.ChiSquared{K: d.dof}
	return d.dof / chi.Quantile((1+confidence)/2), d.dof / chi.Quantile((1-confidence)/2)
}

// Hz returns the frequency of bin k.
func (d *Density) Hz(k int) float64 { return float64(k) * d.StepHz }

// Power returns the mean square [V²] between two frequencies, both included.
func (d *Density) Power(loHz, hiHz float64) float64 {
	sum := 0.0
	for k, p := range d.PSD {
		if f := d.Hz(k); f >= loHz && f <= hiHz {
			sum += p
		}
	}
	return sum * d.StepHz
}
