package multitone

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// estimator solves the weighted least squares for the complex amplitudes of
// jointly present sinusoids.
//
// With x(u) = Σ Re{X_i exp(jω_i u)} and weights even about u = 0, the real
// parts meet only cosines and the imaginary parts only sines: two real
// systems, Gᵉ Re X = Re y and Gᵒ Im X = Im y (see system).
type estimator struct {
	wanted, unknowns int
	even, odd        []float64 // wanted × unknowns, row-major
	// gain is the variance of each component of a wanted amplitude per unit
	// variance of a white sample, the mean over real and imaginary part.
	gain []float64
}

// newEstimator prepares the estimate of the first wanted of the leading n
// sinusoids. A column at ω = 0 has no sine and takes part in the even system
// only.
func newEstimator(t *system, n, wanted int) (*estimator, error) {
	e := &estimator{wanted: wanted, unknowns: n, gain: make([]float64, wanted)}
	for part := range 2 {
		w, err := t.solve(part, n, wanted)
		if err != nil {
			return nil, fmt.Errorf("multitone: a window of %d samples does not separate the tones and lines in it: %w", t.shape.length, err)
		}
		for i := range wanted {
			if v := w[i*n+i] * t.g[part].At(i, i); v > maxInflation {
				return nil, fmt.Errorf("multitone: a window of %d samples hardly separates tone %d from the other tones: its variance would grow %.2g times", t.shape.length, i+1, v)
			}
			e.gain[i] += t.gain(part, w[i*n:(i+1)*n]) / 2
		}
		if part == 0 {
			e.even = w
		} else {
			e.odd = w
		}
	}
	return e, nil
}

// maxInflation refuses tones whose variance would be absurd: so many times that of
// a tone alone.
const maxInflation = 1e6

// driftBins places the sinusoid whose sine stands for a ramp: over the window
// it departs from a straight line by (2π·driftBins/2)²/6 = 0.4 %. Its cosine
// would be an offset once more and is left out.
const driftBins = 0.05

// parts lists the columns that have an even (cosine) or an odd (sine) part of
// their own.
func parts(s shape, omega []float64, sign float64) []int {
	present := make([]int, 0, len(omega))
	for i, w := range omega {
		if sign > 0 && (w == 0 || w > 2*driftBins*s.spacing()) || sign < 0 && w > 0 {
			present = append(present, i)
		}
	}
	return present
}

// solveRows returns the first rows of the inverse of g among the columns that
// are present, with zeros for the others.
func solveRows(g mat.Matrix, present []int, rows int) ([]float64, error) {
	n, _ := g.Dims()
	for len(present) > 0 && present[len(present)-1] >= n {
		present = present[:len(present)-1]
	}
	m := len(present)
	sym := mat.NewSymDense(m, nil)
	for i, p := range present {
		for j := i; j < m; j++ {
			sym.SetSym(i, j, (g.At(p, present[j])+g.At(present[j], p))/2)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(sym) {
		return nil, errors.New("two of them are the same")
	}
	var inv mat.SymDense
	if err := chol.InverseTo(&inv); err != nil {
		return nil, err
	}
	out := make([]float64, rows*n)
	for i, p := range present {
		if p >= rows {
			continue
		}
		for j, q := range present {
			out[p*n+q] = inv.At(i, j)
		}
	}
	return out, nil
}

// amplitude of the i-th wanted sinusoid from one channel's projections y.
func (e *estimator) amplitude(i int, y []complex128) complex128 {
	n := e.unknowns
	even, odd := e.even[i*n:(i+1)*n], e.odd[i*n:(i+1)*n]
	var re, im float64
	for j, v := range y[:n] {
		re += even[j] * real(v)
		im += odd[j] * imag(v)
	}
	return complex(re, im)
}

// linesApart is the distance in bins down to which lines under a rectangular
// window are fitted side by side. Nobody wants their amplitudes, only that they
// leak into no tone, so that they are hard to separate costs nothing.
const linesApart = 0.4

// resolved keeps the lines [Hz] that a window of the given length can tell
// from every tone, from each other and from zero.
func (c *Config) resolved(lines []float64, length int, halfLobe float64) []float64 {
	bin := c.SampleRate / float64(length)
	apart := halfLobe
	if halfLobe <= 1 {
		apart = linesApart // tapers leak too little to be worth the columns
	}
	var kept []float64
	for _, hz := range lines {
		ok := hz > apart*bin && hz < c.SampleRate/2-halfLobe*bin
		for _, t := range c.Tones {
			ok = ok && math.Abs(t.Hz-hz) > halfLobe*bin
		}
		for _, k := range kept {
			ok = ok && math.Abs(k-hz) > apart*bin
		}
		if ok {
			kept = append(kept, hz)
		}
	}
	return kept
}
