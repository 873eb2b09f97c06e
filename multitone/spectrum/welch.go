// Package spectrum looks at a recorded channel in the frequency domain: density,
// noise floor, lines and what they are, flicker, the mains, skirts of a tone.
//
//	w, err := spectrum.NewWelch(100e3, 1<<16)
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
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/multitone/window"
)

// Welch accumulates an averaged periodogram from a stream, in bounded memory. The
// mean of each segment is taken off, so that an offset does not leak into the
// lowest bins.
//
// Source: Welch, IEEE Trans. Audio and Electroacoustics 15(2), 1967.
type Welch struct {
	rateHz  float64
	hop     int
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
}

// NewWelch returns an empty accumulator for samples at sampleRateHz, in segments
// of size samples: the resolution is NENBW·sampleRateHz/size. Powers of two
// transform fastest, those of four above all; large prime factors take far longer.
//
// The taper is the minimum 4-term Blackman–Harris: tones on a bench stand 100 dB
// above the floor, and its sidelobes stay 92 dB down. Segments overlap by 2/3, near
// which it gives every sample almost equal weight (Heinzel et al. 2002, Appendix C:
// 66.1 %).
func NewWelch(sampleRateHz float64, size int) (*Welch, error) {
	if !(sampleRateHz > 0) || math.IsInf(sampleRateHz, 0) {
		return nil, fmt.Errorf("spectrum: sample rate %g Hz: must be positive and finite", sampleRateHz)
	}
	if size < 16 {
		return nil, fmt.Errorf("spectrum: segments of %d samples: must be at least 16", size)
	}
	taper, err := window.ByName("blackman-harris")
	if err != nil {
		return nil, err
	}
	return newWelch(sampleRateHz, size, taper, 2.0/3), nil
}

// newWelch has segments overlap by a share of their size, 0 ≤ overlap < 1.
func newWelch(sampleRateHz float64, size int, taper window.Taper, overlap float64) *Welch {
	w := &Welch{
		rateHz: sampleRateHz, shape: taper,
		hop:     max(1, int(math.Round(float64(size)*(1-overlap)))),
		taper:   make([]float64, size),
		pending: make([]float64, size),
		pair:    make([]complex128, size),
		fft:     transform(size),
		sum:     make([]float64, size/2+1),
	}
	taper.Fill(w.taper)
	w.power = floats.Dot(w.taper, w.taper)
	return w
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
	n = max(n, 16)
	for n%2 != 0 || !Smooth(n) {
		n++
	}
	return n
}

// Smooth tells whether n > 0 has no prime factor above 5.
func Smooth(n int) bool {
	for _, p := range []int{2, 3, 5} {
		for n%p == 0 {
			n /= p
		}
	}
	return n == 1
}

// Add takes the next samples of the stream, any number of them. It does not
// allocate. A segment that holds a NaN or an infinity is left out.
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
	mean := stat.Mean(w.pending, nil)
	if math.IsNaN(mean) || math.IsInf(mean, 0) {
		return
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
	StepHz   float64   // PSD[k] belongs to k·StepHz
	PSD      []float64 // [V²/Hz], 0..fs/2
	Segments int       // averaged
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
		StepHz: w.rateHz / float64(n), PSD: slices.Clone(w.sum),
		Segments: w.used, dof: w.freedom(), hop: float64(w.hop) / float64(n),
		ENBWHz: window.NENBW(w.taper) * w.rateHz / float64(n),
		lobe:   newLobe(w.shape, n),
	}
	if w.half { // one segment still waits for its partner
		addPair(d.PSD, w.fft(slices.Clone(w.pair)))
	}
	scale := 2 / (w.rateHz * w.power * float64(w.used))
	floats.Scale(scale, d.PSD)
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
