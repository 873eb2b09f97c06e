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
	"slices"

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
	pitch   int // from a pair of segments to the next
	taper   []float64
	power   float64 // Σw²
	lobe    *lobe
	pending []float64 // a pair being filled: two segments, hop apart
	filled  int
	skip    int // samples to leave out before the next pair
	powers  powers
	sum     []float64 // of |Z|² of pairs
	used    int
}

// NewWelch returns an empty accumulator for samples at sampleRateHz, in segments
// of size samples: the resolution is NENBW·sampleRateHz/size. Powers of two
// transform fastest, from 128 on; large prime factors take far longer.
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
		rateHz: sampleRateHz, lobe: newLobe(taper, size),
		hop:   max(1, int(math.Round(float64(size)*(1-overlap)))),
		taper: make([]float64, size),
	}
	w.pitch = 2 * w.hop
	taper.Fill(w.taper)
	w.power = floats.Dot(w.taper, w.taper)
	w.powers = newPowers(w.taper)
	return w.Another()
}

// Another returns an empty accumulator like w, for another channel. Both share tables and room to work
// in, so that only one may be in use at a time.
func (w *Welch) Another() *Welch { return w.like(w.powers) }

// Beside returns an empty accumulator like w, which may be in use at the same time.
func (w *Welch) Beside() *Welch { return w.like(w.powers.beside()) }

func (w *Welch) like(p powers) *Welch {
	n := *w
	n.powers = p
	n.pending, n.sum = make([]float64, len(w.taper)+w.hop), make([]float64, len(w.taper))
	n.filled, n.skip, n.used = 0, 0, 0
	return &n
}

// Spread leaves samples out of a stream of so many, evenly between pairs of segments,
// so that about as many segments are averaged as wanted, and no fewer than in the whole
// stream if that has fewer. A gap begins a pair anew.
func (w *Welch) Spread(samples int64, segments int) {
	if pairs := int64(segments+1) / 2; pairs > 1 {
		w.pitch = int(max(int64(2*w.hop), (samples-int64(len(w.pending)))/(pairs-1)))
	}
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
		n := min(w.skip, len(block))
		w.skip -= n
		block = block[n:]
		n = copy(w.pending[w.filled:], block)
		block = block[n:]
		w.filled += n
		if w.filled == len(w.pending) {
			w.segments()
			w.filled = copy(w.pending, w.pending[min(w.pitch, len(w.pending)):])
			w.skip = max(0, w.pitch-len(w.pending))
		}
	}
}

// Break says that the next sample does not follow the last one: a gap. The segment
// begun is dropped.
func (w *Welch) Break() {
	w.segments()
	w.filled, w.skip = 0, 0
}

// segments takes the full ones that are pending, two or one or none.
func (w *Welch) segments() {
	var full [2][]float64
	var means [2]float64
	n := 0
	for end := len(w.taper); end <= w.filled; end += w.hop {
		x := w.pending[end-len(w.taper) : end]
		mean := stat.Mean(x, nil)
		if !math.IsNaN(mean) && !math.IsInf(mean, 0) {
			full[n], means[n] = x, mean
			n++
		}
	}
	if n > 0 {
		w.powers.add(w.sum, full[0], full[1], means[0], means[1])
		w.used += n
	}
}

// Density is a one-sided power spectral density.
type Density struct {
	StepHz   float64   // PSD[k] belongs to k·StepHz
	PSD      []float64 // [V²/Hz], 0..fs/2
	Segments int       // averaged
	dof      float64   // equivalent degrees of freedom of PSD[k]; half of it at 0 and fs/2
	ENBWHz   float64   // equivalent noise bandwidth of one bin

	lobe     *lobe
	overlaps []overlap
}

// overlap is between segments.
type overlap struct {
	shift    float64 // of one from the other, over their length: 0 … 1
	share    float64 // how many pairs of segments are so far apart, over the number of segments
	products         // of the taper, in a lobe
}

// Density returns what has been accumulated so far. PSD is all NaN before the
// first segment is full.
func (w *Welch) Density() *Density {
	n := len(w.taper)
	all := *w
	if w.filled >= n { // a segment still waits for its partner
		all.sum = slices.Clone(w.sum)
		all.segments()
	}
	d := &Density{
		StepHz: w.rateHz / float64(n), PSD: make([]float64, n/2+1),
		Segments: all.used, dof: all.freedom(), overlaps: all.overlaps(),
		ENBWHz: window.NENBW(w.taper) * w.rateHz / float64(n),
		lobe:   w.lobe,
	}
	for i := range d.overlaps {
		d.overlaps[i].products = d.lobe.products(d.overlaps[i].shift)
	}
	scale := 1 / (w.rateHz * w.power * float64(all.used))
	for k := range d.PSD {
		d.PSD[k] = (all.sum[w.powers.place(k)] + all.sum[w.powers.place((n-k)%n)]) * scale
	}
	d.PSD[0] /= 2
	if n%2 == 0 {
		d.PSD[n/2] /= 2
	}
	return d
}

// overlaps lists how segments overlap, as without gaps.
func (w *Welch) overlaps() (all []overlap) {
	n := len(w.taper)
	add := func(shift, pairs int) {
		if pairs > 0 && shift < n {
			all = append(all, overlap{shift: float64(shift) / float64(n), share: float64(pairs) / float64(w.used)})
		}
	}
	// Segments 2i stand at i·pitch, 2i+1 a hop later.
	even, odd := (w.used+1)/2, w.used/2
	add(w.hop, odd)
	for j := 1; j*w.pitch-w.hop < n && j < even; j++ {
		add(j*w.pitch-w.hop, min(odd, even-j))
		add(j*w.pitch, even-j+odd-j)
		add(j*w.pitch+w.hop, odd-j)
	}
	return all
}

// freedom returns Welch's equivalent degrees of freedom of the averaged power,
// 2K/(1 + (2/K) Σ ρ²) over all pairs of K segments, with ρ = Σ w[n] w[n+D]/Σw² for those D apart.
func (w *Welch) freedom() float64 {
	if w.used == 0 {
		return 0
	}
	squares := 1.0
	for _, o := range w.overlaps() {
		rho := 0.0
		for i, v := range w.taper[int(math.Round(o.shift*float64(len(w.taper)))):] {
			rho += v * w.taper[i]
		}
		rho /= w.power
		squares += 2 * o.share * rho * rho
	}
	return 2 * float64(w.used) / squares
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
