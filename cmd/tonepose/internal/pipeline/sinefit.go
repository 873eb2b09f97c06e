package pipeline

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/mat"
)

// sineModel is a least-squares model of a periodic signal among other lines, on
// a slow background: x(t) = offset + ramp + Σ_h Re{X_h exp(j2πh·f·t)} +
// Σ_k Re{Y_k exp(j2πg_k·t)}, t counted from the middle of the samples.
type sineModel struct {
	hz, rate  float64
	harmonics []int     // the first is 1
	others    []float64 // frequencies g of lines that disturb [Hz]
}

// sineFit is a model fitted to one channel.
type sineFit struct {
	phasor   []complex128 // peak at the middle, of each harmonic, then of each other line
	variance float64      // of a white sample, from the residuals
	step     []float64    // corrections of hz and others that would fit better [Hz]
}

// sinusoids is the number of phasors of a fit.
func (m *sineModel) sinusoids() int { return len(m.harmonics) + len(m.others) }

// columns fills a row of the model for the sample u from the middle: cos and
// sin of every sinusoid, 1, and a ramp.
func (m *sineModel) columns(row []float64, u, half float64) {
	turn := 2 * math.Pi / m.rate * u
	s, c := math.Sincos(m.hz * turn)
	re, im, at := 1.0, 0.0, 0
	for k, h := range m.harmonics {
		for at < h {
			re, im, at = re*c-im*s, re*s+im*c, at+1
		}
		row[2*k], row[2*k+1] = re, im
	}
	for k, hz := range m.others {
		k += len(m.harmonics)
		row[2*k+1], row[2*k] = math.Sincos(hz * turn)
	}
	row[2*m.sinusoids()] = 1
	row[2*m.sinusoids()+1] = u / half
}

// slopes fills what follows: the derivatives by the frequencies, about guessed
// phasors: ∂/∂f of Re{X exp(jhωt)} is −h·2πt·Im{X exp(jhωt)}.
func (m *sineModel) slopes(row []float64, guess []complex128, u, half float64) {
	at := 2*m.sinusoids() + 2
	var own float64
	for k, x := range guess {
		d := imag(x)*row[2*k] + real(x)*row[2*k+1]
		if k < len(m.harmonics) {
			own -= float64(m.harmonics[k]) * d
			row[at] = own * u / half
		} else {
			row[at+1+k-len(m.harmonics)] = -d * u / half
		}
	}
}

// fitRows is how many rows of a model are joined to the normal equations at a time.
const fitRows = 256

// fit solves for the phasors and, with guessed ones to linearise about, the
// frequencies' corrections: a Gauss–Newton step of the four-parameter sine fit
// of IEEE Std 1057, with harmonics and further lines.
func (m *sineModel) fit(x []float64, guess []complex128) (*sineFit, error) {
	linear := 2*m.sinusoids() + 2
	size := linear
	if guess != nil {
		size += 1 + len(m.others)
	}
	if len(x) <= size+1 {
		return nil, fmt.Errorf("%d samples are too few to fit %d sinusoids", len(x), m.sinusoids())
	}
	// The samples are one more column: its products are the right-hand side.
	wide := size + 1
	rows := blas64.General{Cols: wide, Stride: wide, Data: make([]float64, fitRows*wide)}
	sums := blas64.Symmetric{Uplo: blas.Upper, N: wide, Stride: wide, Data: make([]float64, wide*wide)}
	half := float64(len(x)-1) / 2
	for from := 0; from < len(x); from += fitRows {
		rows.Rows = min(fitRows, len(x)-from)
		for i := range rows.Rows {
			row := rows.Data[i*wide : (i+1)*wide]
			u := float64(from+i) - half
			m.columns(row, u, half)
			if guess != nil {
				m.slopes(row, guess, u, half)
			}
			row[size] = x[from+i]
		}
		blas64.Syrk(blas.Trans, 1, rows, 1, sums)
	}
	normal, right := mat.NewSymDense(size, nil), mat.NewVecDense(size, nil)
	for i := range size {
		for j := i; j < size; j++ {
			normal.SetSym(i, j, sums.Data[i*wide+j])
		}
		right.SetVec(i, sums.Data[i*wide+size])
	}
	var chol mat.Cholesky
	if !chol.Factorize(normal) || chol.Cond() > 1e14 {
		return nil, fmt.Errorf("%d samples at %g Hz do not separate %g Hz, its harmonics and what else is there", len(x), m.rate, m.hz)
	}
	var solution mat.VecDense
	if err := chol.SolveVecTo(&solution, right); err != nil {
		return nil, err
	}
	f := &sineFit{phasor: make([]complex128, m.sinusoids())}
	for k := range f.phasor {
		f.phasor[k] = complex(solution.AtVec(2*k), -solution.AtVec(2*k+1))
	}
	left := sums.Data[size*wide+size] - mat.Dot(&solution, right)
	f.variance = math.Max(0, left) / float64(len(x)-size)
	for i := linear; i < size; i++ {
		f.step = append(f.step, solution.AtVec(i)/half*m.rate/(2*math.Pi))
	}
	return f, nil
}

// refine iterates the frequencies until the first stands to a ten-millionth of
// a turn over the samples, and returns the last fit.
func (m *sineModel) refine(x []float64) (*sineFit, error) {
	f, err := m.fit(x, nil)
	if err != nil {
		return nil, err
	}
	duration := float64(len(x)) / m.rate
	for range 40 {
		if f, err = m.fit(x, f.phasor); err != nil {
			return nil, err
		}
		// A step beyond a third of a turn leaves the valley.
		bounded := func(step float64) float64 { return math.Max(-0.3/duration, math.Min(0.3/duration, step)) }
		m.hz += bounded(f.step[0])
		for k := range m.others {
			m.others[k] += bounded(f.step[1+k])
		}
		if !(m.hz > 0) {
			return nil, fmt.Errorf("no frequency fits: fewer than one cycle in %g s", duration)
		}
		if math.Abs(f.step[0])*duration < 1e-7 {
			return f, nil
		}
	}
	return nil, fmt.Errorf("no frequency near %g Hz fits the reference", m.hz)
}
