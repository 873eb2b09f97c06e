// Package sine finds a tone of unknown frequency in samples and fits it by
// least squares, together with its harmonics and with other lines that would
// disturb it.
//
// A Search collects what it needs of a recording in bounded memory and finds
// the tone of one channel; a Model fits sines to the samples of a channel, at
// frequencies as they stand (Fit, the three-parameter sine fit of IEEE Std 1057)
// or with frequencies refined (Refine, its four-parameter fit).
//
//	s := sine.NewSearch(rate, samples)
//	s.Write(reference, signal)		// as often as there are samples
//	tone, err := s.Find(ctx, 0)		// or near a frequency [Hz]
//	fit, err := tone.Model.Fit(ctx, signal)	// fit.Phasors, tone.Model.Hz
//
// Frequencies are in hertz of the samples' clock; phasors are peak values in the samples'
// unit, x(t) = Re{X·exp(j2πft)}, at the middle of the samples.
package sine

import (
	"context"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/mat"
)

// Model is a periodic signal among other lines, on a slow background:
//
//	x(t) = offset + ramp·t + Σ_h Re{X_h exp(j2πh·Hz·t)} + Σ_k Re{Y_k exp(j2πg_k·t)},
//
// t counted from the middle of the samples.
type Model struct {
	Hz        float64   // of the tone [Hz]
	Rate      float64   // of the samples [Hz]
	Harmonics []int     // of the tone, rising; the first must be 1
	Others    []float64 // frequencies g of lines that disturb [Hz]
	Level     bool      // the background is an offset alone, without a ramp
}

// Fit is a Model fitted to one channel.
type Fit struct {
	Phasors  []complex128 // peak, at the middle of the samples: of each harmonic, then of each other line
	Offset   float64      // at the middle
	Variance float64      // of the samples about the model, for white noise

	model      *Model
	half       float64 // samples from the middle to either end
	normal     mat.Cholesky
	correction []float64 // of Hz and Others that would fit better [Hz]
}

// Covariance of what was fitted, for white noise of the variance seen: real and
// negative imaginary part of each phasor in turn, offset, ramp over half of the
// samples unless the Model is Level, then, after Refine, Hz and each of Others
// [Hz]. After Refine it is the Cramér–Rao bound (Rife and Boorstyn, IEEE Trans.
// Inf. Theory 20, 1974), as far as the variance is known.
func (f *Fit) Covariance() (*mat.SymDense, error) {
	var c mat.SymDense
	if err := f.normal.InverseTo(&c); err != nil {
		return nil, fmt.Errorf("sine: covariance: %w", err)
	}
	n := c.SymmetricDim()
	scale := slices.Repeat([]float64{math.Sqrt(f.Variance)}, n)
	for i := f.model.linear(); i < n; i++ {
		scale[i] *= f.model.stepHz(f.half)
	}
	for i := range n {
		for j := i; j < n; j++ {
			c.SetSym(i, j, c.At(i, j)*scale[i]*scale[j])
		}
	}
	return &c, nil
}

// SigmaHz is the standard deviation of Model.Hz [Hz] after Refine, infinite if
// the samples do not fix it.
func (f *Fit) SigmaHz() float64 {
	c, err := f.Covariance()
	if n := f.model.linear(); err == nil && n < c.SymmetricDim() {
		return math.Sqrt(c.At(n, n))
	}
	return math.Inf(1)
}

// sinusoids is the number of phasors of a fit.
func (m *Model) sinusoids() int { return len(m.Harmonics) + len(m.Others) }

// linear is the number of parameters beside the frequencies.
func (m *Model) linear() int {
	if m.Level {
		return 2*m.sinusoids() + 1
	}
	return 2*m.sinusoids() + 2
}

// stepHz is what the frequencies are fitted in: a radian at either end.
func (m *Model) stepHz(half float64) float64 { return m.Rate / (2 * math.Pi * half) }

// columns fills a row of the model for the sample u from the middle: cos and
// sin of every sinusoid, 1, and a ramp.
func (m *Model) columns(row []float64, u, half float64) {
	turn := 2 * math.Pi / m.Rate * u
	s, c := math.Sincos(m.Hz * turn)
	re, im, at := 1.0, 0.0, 0
	for k, h := range m.Harmonics {
		for at < h {
			re, im, at = re*c-im*s, re*s+im*c, at+1
		}
		row[2*k], row[2*k+1] = re, im
	}
	for k, hz := range m.Others {
		k += len(m.Harmonics)
		row[2*k+1], row[2*k] = math.Sincos(hz * turn)
	}
	row[2*m.sinusoids()] = 1
	if !m.Level {
		row[2*m.sinusoids()+1] = u / half
	}
}

// slopes fills what follows: the derivatives by the frequencies, about guessed
// phasors: ∂/∂f of Re{X exp(jhωt)} is −h·2πt·Im{X exp(jhωt)}.
func (m *Model) slopes(row []float64, guess []complex128, u, half float64) {
	at := m.linear()
	var own float64
	for k, x := range guess {
		d := imag(x)*row[2*k] + real(x)*row[2*k+1]
		if k < len(m.Harmonics) {
			own -= float64(m.Harmonics[k]) * d
			row[at] = own * u / half
		} else {
			row[at+1+k-len(m.Harmonics)] = -d * u / half
		}
	}
}

// fitRows is how many rows of a model are joined to the normal equations at a time.
const fitRows = 256

// Fit solves for the phasors at frequencies as they stand. It is an error if
// the samples are too few, or do not tell the sinusoids apart.
func (m *Model) Fit(ctx context.Context, x []float64) (*Fit, error) { return m.fit(ctx, x, nil) }

// fit solves for the phasors and, with guessed ones to linearise about, the
// frequencies' corrections: a Gauss–Newton step of the four-parameter sine fit
// of IEEE Std 1057, with harmonics and further lines.
func (m *Model) fit(ctx context.Context, x []float64, guess []complex128) (*Fit, error) {
	size := m.linear()
	if guess != nil {
		size += 1 + len(m.Others)
	}
	if len(x) <= size+1 {
		return nil, fmt.Errorf("%d samples are too few to fit %d sinusoids", len(x), m.sinusoids())
	}
	// The samples are one more column: its products are the right-hand side.
	columns := size + 1
	rows := blas64.General{Cols: columns, Stride: columns, Data: make([]float64, fitRows*columns)}
	sums := blas64.Symmetric{Uplo: blas.Upper, N: columns, Stride: columns, Data: make([]float64, columns*columns)}
	half := float64(len(x)-1) / 2
	for from := 0; from < len(x); from += fitRows {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		rows.Rows = min(fitRows, len(x)-from)
		for i := range rows.Rows {
			row := rows.Data[i*columns : (i+1)*columns]
			u := float64(from+i) - half
			m.columns(row, u, half)
			if guess != nil {
				m.slopes(row, guess, u, half)
			}
			row[size] = x[from+i]
		}
		blas64.Syrk(blas.Trans, 1, rows, 1, sums)
	}
	products := mat.NewSymDense(columns, sums.Data)
	right := mat.NewVecDense(size, mat.Col(nil, size, products)[:size])
	f := &Fit{model: m, half: half}
	if !f.normal.Factorize(products.SliceSym(0, size)) || f.normal.Cond() > 1e14 {
		return nil, fmt.Errorf("%d samples at %g Hz do not separate %g Hz, its harmonics and what else is there", len(x), m.Rate, m.Hz)
	}
	var solution mat.VecDense
	if err := f.normal.SolveVecTo(&solution, right); err != nil {
		return nil, err
	}
	for k := range m.sinusoids() {
		f.Phasors = append(f.Phasors, complex(solution.AtVec(2*k), -solution.AtVec(2*k+1)))
	}
	f.Offset = solution.AtVec(2 * m.sinusoids())
	left := products.At(size, size) - mat.Dot(&solution, right)
	f.Variance = math.Max(0, left) / float64(len(x)-size)
	for i := m.linear(); i < size; i++ {
		f.correction = append(f.correction, solution.AtVec(i)/half*m.Rate/(2*math.Pi))
	}
	return f, nil
}

// Refine fits the frequencies too: it iterates until the tone's stands to a
// ten-millionth of a turn over the samples, leaves Hz and Others where they fit
// best, and returns the last fit. Hz must be right to a third of a turn over the
// samples. It is an error if no frequency near it fits.
func (m *Model) Refine(ctx context.Context, x []float64) (*Fit, error) {
	f, err := m.fit(ctx, x, nil)
	if err != nil {
		return nil, err
	}
	duration := float64(len(x)) / m.Rate
	// A step beyond a third of a turn leaves the valley.
	bounded := func(step float64) float64 { return math.Max(-0.3/duration, math.Min(0.3/duration, step)) }
	for range 40 {
		if f, err = m.fit(ctx, x, f.Phasors); err != nil {
			return nil, err
		}
		m.Hz += bounded(f.correction[0])
		for k := range m.Others {
			m.Others[k] += bounded(f.correction[1+k])
		}
		if !(m.Hz > 0) {
			return nil, fmt.Errorf("no frequency fits: fewer than one cycle in %g s", duration)
		}
		if math.Abs(f.correction[0])*duration < 1e-7 {
			return f, nil
		}
	}
	return nil, fmt.Errorf("no frequency near %g Hz fits the samples", m.Hz)
}
