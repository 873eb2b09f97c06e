package multitone

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
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
	whole [2]*factor       // of all columns, once asked for
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
	if s.rectangular() {
		t.sharp()
	} else {
		t.tapered()
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

// tapered writes the matrices for weights w.
func (t *system) tapered() {
	s, sq := t.shape, t.shape.squared()
	for i, a := range t.omega {
		for j, b := range t.omega[i:] {
			less, more := s.spectrum(a-b)/2, s.spectrum(a+b)/2
			t.g[0].SetSym(i, i+j, less+more)
			t.g[1].SetSym(i, i+j, less-more)
			less, more = sq.spectrum(a-b)/2, sq.spectrum(a+b)/2
			t.q[0].SetSym(i, i+j, less+more)
			t.q[1].SetSym(i, i+j, less-more)
		}
	}
}

// sharp writes the matrices for equal weights. Of frequencies that are apart, Σ exp(jωu) comes from
// products of the columns' rays, without a sine for each pair.
func (t *system) sharp() {
	weight, length := t.shape.cosine[0], t.shape.length
	wide, narrow := make([]complex128, len(t.omega)), make([]complex128, len(t.omega))
	for i, w := range t.omega {
		wide[i], narrow[i] = unit(cycles(w*float64(length)/(4*math.Pi))), unit(w/(4*math.Pi))
	}
	sum := func(wide, narrow complex128, omega float64) float64 {
		if d := imag(narrow); math.Abs(d) > 1e-3 {
			return imag(wide) / d
		}
		return dirichlet(omega, length)
	}
	for i, a := range t.omega {
		for j := i; j < len(t.omega); j++ {
			b, w, n := t.omega[j], wide[j], narrow[j]
			less := weight / 2 * sum(wide[i]*complex(real(w), -imag(w)), narrow[i]*complex(real(n), -imag(n)), a-b)
			more := weight / 2 * sum(wide[i]*w, narrow[i]*n, a+b)
			t.g[0].SetSym(i, j, less+more)
			t.g[1].SetSym(i, j, less-more)
			t.q[0].SetSym(i, j, weight*(less+more))
			t.q[1].SetSym(i, j, weight*(less-more))
		}
	}
}

// present tells whether a column has a cosine (part 0) or a sine (1) of its own: not
// the sine at ω = 0, nor the cosine of a ramp.
func (s shape) present(part int, omega float64) bool {
	return part == 0 && (omega == 0 || omega > 2*driftBins*s.spacing()) || part == 1 && omega > 0
}

// factor is the matrix of a part of the leading columns as UᵀU.
type factor struct {
	columns int
	present []int // of these, those with a part of their own
	u       blas64.Triangular
}

func (t *system) factor(part, columns int) (*factor, error) {
	f := &factor{columns: columns}
	for i, w := range t.omega[:columns] {
		if t.shape.present(part, w) {
			f.present = append(f.present, i)
		}
	}
	n := len(f.present)
	sym := blas64.Symmetric{N: n, Stride: n, Data: make([]float64, n*n), Uplo: blas.Upper}
	for i, p := range f.present {
		for j := i; j < n; j++ {
			sym.Data[i*n+j] = t.g[part].At(p, f.present[j])
		}
	}
	var ok bool
	if f.u, ok = lapack64.Potrf(sym); !ok {
		return nil, errors.New("two of them are the same")
	}
	return f, nil
}

// lead is the factor of a part of the leading columns: that of all columns begins with it.
func (t *system) lead(part, columns int) (f *factor, err error) {
	if t.whole[part] == nil {
		if t.whole[part], err = t.factor(part, len(t.omega)); err != nil { // for columns further on
			return t.factor(part, columns)
		}
	}
	return t.whole[part].leading(columns), nil
}

// leading is the factor of fewer of the leading columns.
func (f *factor) leading(columns int) *factor {
	n, _ := slices.BinarySearch(f.present, columns)
	u := f.u
	u.N = n
	return &factor{columns: columns, present: f.present[:n], u: u}
}

// rows gives sums of rows of the matrix's inverse, with zeros for columns without a part of their
// own.
func (f *factor) rows(sums [][]int) []float64 {
	right := func(i, k int) float64 {
		if slices.Contains(sums[k], f.present[i]) {
			return 1
		}
		return 0
	}
	return f.solve(len(sums), right)
}

// solve gives the inverse times columns of a matrix over the present ones, row by row.
func (f *factor) solve(columns int, right func(i, k int) float64) []float64 {
	n := len(f.present)
	out := make([]float64, columns*f.columns)
	if n == 0 || columns == 0 {
		return out
	}
	b := blas64.General{Rows: n, Cols: columns, Stride: columns, Data: make([]float64, n*columns)}
	for i := range n {
		for k := range columns {
			b.Data[i*columns+k] = right(i, k)
		}
	}
	blas64.Trsm(blas.Left, blas.Trans, 1, f.u, b)
	blas64.Trsm(blas.Left, blas.NoTrans, 1, f.u, b)
	for i, p := range f.present {
		for k := range columns {
			out[k*f.columns+p] = b.Data[i*columns+k]
		}
	}
	return out
}

// each is the list of the first n, one by one.
func each(n int) [][]int {
	list := make([][]int, n)
	for i := range list {
		list[i] = []int{i}
	}
	return list
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
