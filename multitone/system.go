package multitone

import (
	"math"

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
	shape         shape
	omega         []float64
	tones, strong int
	plain         int              // columns before the tones' neighbour bins
	g             [2]*mat.SymDense // cosines, sines
	q             [2]*mat.SymDense // once asked for: see power
	whole         [2]*factor       // once asked for: see lead
	rows          [2][]float64     // once asked for: see inverse
	shelf         *shelf           // of the matrices; nil: none is at hand
}

const ridge = 1e-8

// strongRidge is that of lines which may be far stronger than a tone: a window that
// fits them tells them from it.
const strongRidge = 1e-12

// newSystem makes the matrices; the first columns are so many tones, and so many
// lines that may be strong.
func newSystem(s shape, omega []float64, tones, strong int, r *shelf) *system {
	t := &system{shape: s, omega: omega, tones: tones, strong: strong, plain: len(omega), shelf: r}
	if s.rectangular() {
		t.g = t.sharp()
	} else {
		t.g = t.tapered(s)
	}
	for i := tones; i < len(omega); i++ {
		for _, g := range t.g {
			g.SetSym(i, i, g.At(i, i)*(1+t.extra(i)))
		}
	}
	return t
}

// release gives the memory of the matrices back, for another system.
func (t *system) release() {
	for part := range t.g {
		t.shelf.give(t.g[part].RawSymmetric().Data)
		if f := t.whole[part]; f != nil {
			t.shelf.give(f.u.Memory())
		}
	}
}

// extra is the share by which the ridge raises a column's own entry.
func (t *system) extra(column int) float64 {
	switch {
	case column < t.tones:
		return 0
	case column < t.tones+t.strong:
		return strongRidge
	}
	return ridge
}

// power is the matrix under w² of a part.
func (t *system) power(part int) *mat.SymDense {
	if t.q[part] != nil {
		return t.q[part]
	}
	if !t.shape.rectangular() {
		t.q = t.tapered(t.shape.squared())
		return t.q[part]
	}
	q := mat.NewSymDense(len(t.omega), nil)
	q.ScaleSym(t.shape.cosine[0], t.g[part])
	for i := range t.omega {
		q.SetSym(i, i, q.At(i, i)/(1+t.extra(i)))
	}
	t.q[part] = q
	return q
}

// tapered makes the matrices for weights that are made of cosines.
func (t *system) tapered(s shape) (g [2]*mat.SymDense) {
	n := len(t.omega)
	for part := range g {
		g[part] = mat.NewSymDense(n, t.shelf.take(n*n))
	}
	even, odd := g[0].RawSymmetric().Data, g[1].RawSymmetric().Data
	for i, a := range t.omega {
		for j := i; j < n; j++ {
			less, more := s.spectrum(a-t.omega[j])/2, s.spectrum(a+t.omega[j])/2
			even[i*n+j], odd[i*n+j] = less+more, less-more
		}
	}
	return g
}

// sharp makes the matrices for equal weights. Of frequencies that are apart, Σ exp(jωu) comes from
// products of the columns' rays, without a sine for each pair.
func (t *system) sharp() (g [2]*mat.SymDense) {
	weight, length, n := t.shape.cosine[0], t.shape.length, len(t.omega)
	for part := range g {
		g[part] = mat.NewSymDense(n, t.shelf.take(n*n))
	}
	even, odd := g[0].RawSymmetric().Data, g[1].RawSymmetric().Data
	wide, narrow := make([]complex128, n), make([]complex128, n)
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
		for j := i; j < n; j++ {
			b, w, v := t.omega[j], wide[j], narrow[j]
			less := weight / 2 * sum(wide[i]*complex(real(w), -imag(w)), narrow[i]*complex(real(v), -imag(v)), a-b)
			more := weight / 2 * sum(wide[i]*w, narrow[i]*v, a+b)
			even[i*n+j], odd[i*n+j] = less+more, less-more
		}
	}
	return g
}

// present tells whether a column has a cosine (part 0) or a sine (1) of its own: not
// the sine at ω = 0, nor the cosine of a ramp.
func (s shape) present(part int, omega float64) bool {
	return part == 0 && (omega == 0 || omega > 2*driftBins*s.spacing()) || part == 1 && omega > 0
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

// combine makes combinations of the coefficients of each part, row by row of those that are asked
// for: each times the matrix of the leading columns is 1 at so many of them, or so in what
// it is made of.
func (t *system) combine(columns int, sums [][]int, coefficients func(part int) ([]float64, error)) (*combinations, error) {
	c := &combinations{columns: columns, gain: make([]float64, len(sums))}
	for part := range c.parts {
		rows, err := coefficients(part)
		if err != nil {
			return nil, err
		}
		c.parts[part] = rows
		for i, sum := range sums {
			c.gain[i] += t.solved(part, rows[i*columns:(i+1)*columns], sum) / 2
		}
	}
	return c, nil
}

// solved is gain where the row times the matrix, and the row again, is its sum over some columns. Under equal weights
// w² is w times a number, so that this and the ridge, which is no part of the samples, give the gain.
func (t *system) solved(part int, row []float64, sum []int) (v float64) {
	if !t.shape.rectangular() {
		return t.gain(part, row)
	}
	for _, k := range sum {
		v += row[k]
	}
	for i := t.tones; i < len(row); i++ {
		extra := t.extra(i)
		v -= t.g[part].At(i, i) * extra / (1 + extra) * row[i] * row[i]
	}
	return v * t.shape.cosine[0]
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
	return mat.Inner(v, t.power(part).SliceSym(0, len(row)), v)
}
