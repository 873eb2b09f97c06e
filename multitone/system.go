package multitone

import (
	"errors"

	"gonum.org/v1/gonum/mat"
)

// system holds the Gram matrices of sinusoids ω [rad/sample] under a window w
// (g) and under w² (q, for variances): one each for cosines and for sines. The
// weights are even about the window's middle, so cosines and sines do not meet:
// g = ½[D(ω_i − ω_j) ± D(ω_i + ω_j)] with D the window's spectrum.
//
// The amplitudes of the columns behind the tones are not asked for: a ridge on these
// keeps the system solvable where a window cannot tell them apart, as mains lines
// under a rectangular window shorter than their period. A tone by itself is
// estimated without bias all the same. Of lines with amplitudes b a tone keeps
// no more than √(ridge·Σb²·v), v being its variance over that of a tone alone: the fit
// with the true amplitudes costs ridge·Σb², so the best fit costs no more.
type system struct {
	shape shape
	omega []float64
	g, q  [2]*mat.SymDense // cosines, sines
}

const ridge = 1e-8

// strongRidge is that of lines which may be far stronger than a tone: a window that
// fits them tells them from it.
const strongRidge = 1e-12

// newSystem makes the matrices; the first columns are so many tones, and so many
// lines that may be strong.
func newSystem(s shape, omega []float64, tones, strong int) *system {
	t := &system{shape: s, omega: omega}
	n := len(omega)
	for part := range 2 {
		t.g[part], t.q[part] = mat.NewSymDense(n, nil), mat.NewSymDense(n, nil)
	}
	sq := s.squared()
	for i, a := range omega {
		for j := i; j < n; j++ {
			b := omega[j]
			less, more := s.spectrum(a-b)/2, s.spectrum(a+b)/2
			t.g[0].SetSym(i, j, less+more)
			t.g[1].SetSym(i, j, less-more)
			less, more = sq.spectrum(a-b)/2, sq.spectrum(a+b)/2
			t.q[0].SetSym(i, j, less+more)
			t.q[1].SetSym(i, j, less-more)
		}
	}
	for i := tones; i < n; i++ {
		extra := ridge
		if i < tones+strong {
			extra = strongRidge
		}
		for _, g := range t.g {
			g.SetSym(i, i, g.At(i, i)*(1+extra))
		}
	}
	return t
}

// present tells whether a column has a cosine (part 0) or a sine (1) of its own: not
// the sine at ω = 0, nor the cosine of a ramp.
func (s shape) present(part int, omega float64) bool {
	return part == 0 && (omega == 0 || omega > 2*driftBins*s.spacing()) || part == 1 && omega > 0
}

// solve returns the first rows of the inverse of the leading n columns' matrix,
// with zeros for columns without a part of their own.
func (t *system) solve(part, n, rows int) ([]float64, error) {
	var present []int
	for i, w := range t.omega[:n] {
		if t.shape.present(part, w) {
			present = append(present, i)
		}
	}
	sym := mat.NewSymDense(len(present), nil)
	for i, p := range present {
		for j := i; j < len(present); j++ {
			sym.SetSym(i, j, t.g[part].At(p, present[j]))
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
		for j, q := range present {
			if p < rows {
				out[p*n+q] = inv.At(i, j)
			}
		}
	}
	return out, nil
}

// combinations are linear functions of a channel's projections on a system's
// columns, row by row: cosines for the real part, sines for the imaginary one.
type combinations struct {
	columns int
	parts   [2][]float64
	// gain is the variance of each component per unit variance of a white sample,
	// the mean over real and imaginary part.
	gain []float64
}

// combine makes combinations of the coefficients of each part.
func (t *system) combine(columns int, coefficients func(part int) ([]float64, error)) (*combinations, error) {
	c := &combinations{columns: columns}
	for part := range c.parts {
		rows, err := coefficients(part)
		if err != nil {
			return nil, err
		}
		c.parts[part] = rows
		if part == 0 {
			c.gain = make([]float64, len(rows)/columns)
		}
		for i := range c.gain {
			c.gain[i] += t.gain(part, rows[i*columns:(i+1)*columns]) / 2
		}
	}
	return c, nil
}

// of is function i of one channel's projections y.
func (c *combinations) of(i int, y []complex128) complex128 {
	even, odd := c.parts[0][i*c.columns:(i+1)*c.columns], c.parts[1][i*c.columns:(i+1)*c.columns]
	var re, im float64
	for j, v := range y[:c.columns] {
		re += even[j] * real(v)
		im += odd[j] * imag(v)
	}
	return complex(re, im)
}

// gain is the variance of Σ row_j·y_j per unit variance of a white sample.
func (t *system) gain(part int, row []float64) float64 {
	v := mat.NewVecDense(len(row), row)
	return mat.Inner(v, t.q[part].SliceSym(0, len(row)), v)
}
