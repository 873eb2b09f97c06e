// Package kernel holds the inner loops of the demodulator bank: the projection
// of real samples on a fixed set of sinusoids.
package kernel

import (
	"math"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
)

// Projector computes Σ x[n]·exp(−jω_i(n−c)) over a chunk of samples, c the
// chunk's middle, for many ω_i and many channels at once.
//
// Every sinusoid is split into its even and its odd part about the middle, so
// the samples are folded once and half the products remain.
type Projector struct {
	length, half int
	columns      int
	cos, sin     []float64 // columns × half, row-major: time-contiguous
	even, odd    []float64 // channels × half
	re, im       []float64 // channels × columns
}

// NewProjector makes the tables for chunks of the given length and angular
// frequencies [rad/sample].
func NewProjector(length int, omega []float64) *Projector {
	p := &Projector{length: length, half: (length + 1) / 2, columns: len(omega)}
	p.cos = make([]float64, p.columns*p.half)
	p.sin = make([]float64, p.columns*p.half)
	p.Retune(omega)
	return p
}

// Retune recomputes the tables for as many other frequencies.
func (p *Projector) Retune(omega []float64) {
	middle := float64(p.length-1) / 2
	first := float64(p.length/2) - middle // 0 for odd lengths, 1/2 for even
	for i, w := range omega {
		c := p.cos[i*p.half : (i+1)*p.half]
		s := p.sin[i*p.half : (i+1)*p.half]
		// A rotation by recurrence, restarted exactly every 32 samples: its
		// error stays under 32·2⁻⁵³.
		sw, cw := math.Sincos(w)
		var cn, sn float64
		for n := range c {
			if n%32 == 0 {
				sn, cn = math.Sincos(w * (first + float64(n)))
			}
			c[n], s[n] = cn, sn
			cn, sn = cn*cw-sn*sw, sn*cw+cn*sw
		}
	}
}

// Length is the number of samples of a chunk.
func (p *Projector) Length() int { return p.length }

// Columns is the number of sinusoids.
func (p *Projector) Columns() int { return p.columns }

// Project writes re + j·im = Σ x[n]·w[n]·exp(−jω_i(n−c)) for each channel's
// samples x and the weights w (nil: ones). Each x has the chunk's length. The
// results, channel by channel, stand in slices that the next call overwrites.
func (p *Projector) Project(x [][]float64, w []float64) (re, im []float64) {
	channels := len(x)
	if need := channels * p.half; cap(p.even) < need {
		p.even, p.odd = make([]float64, need), make([]float64, need)
		p.re, p.im = make([]float64, channels*p.columns), make([]float64, channels*p.columns)
	}
	p.even, p.odd = p.even[:channels*p.half], p.odd[:channels*p.half]
	for c, samples := range x {
		p.fold(p.even[c*p.half:(c+1)*p.half], p.odd[c*p.half:(c+1)*p.half], samples, w)
	}
	p.re, p.im = p.re[:channels*p.columns], p.im[:channels*p.columns]
	gemm(p.re, p.even, p.cos, channels, p.columns, p.half, 1)
	gemm(p.im, p.odd, p.sin, channels, p.columns, p.half, -1)
	return p.re, p.im
}

// fold forms the sums and differences of samples that mirror each other.
func (p *Projector) fold(even, odd, x, w []float64) {
	x = x[:p.length]
	up, down := p.length/2, (p.length-1)/2
	start := 0
	if up == down { // odd length: the middle sample stands alone
		even[0], odd[0] = x[up], 0
		if w != nil {
			even[0] *= w[up]
		}
		start = 1
	}
	hi, lo := x[up:], x[:down+1]
	if w == nil {
		for n := start; n < p.half; n++ {
			a, b := hi[n], lo[down-n]
			even[n], odd[n] = a+b, a-b
		}
		return
	}
	wh, wl := w[up:p.length], w[:down+1]
	for n := start; n < p.half; n++ {
		a, b := hi[n]*wh[n], lo[down-n]*wl[down-n]
		even[n], odd[n] = a+b, a-b
	}
}

func gemm(dst, a, b []float64, rows, columns, inner int, alpha float64) {
	blas64.Gemm(blas.NoTrans, blas.Trans, alpha,
		blas64.General{Rows: rows, Cols: inner, Stride: inner, Data: a},
		blas64.General{Rows: columns, Cols: inner, Stride: inner, Data: b},
		0, blas64.General{Rows: rows, Cols: columns, Stride: columns, Data: dst})
}
