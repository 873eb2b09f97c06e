package multitone

import "gonum.org/v1/gonum/mat"

// system holds the Gram matrices of sinusoids ω [rad/sample] under a window w
// (g) and under w² (q, for variances): one each for cosines and for sines. The
// weights are even about the window's middle, so cosines and sines do not meet:
// g = ½[D(ω_i − ω_j) ± D(ω_i + ω_j)] with D the window's spectrum.
//
// Nobody wants the amplitudes of the columns behind the tones: a ridge on these
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

// newSystem makes the matrices; the first so many columns are tones.
func newSystem(s shape, omega []float64, tones int) *system {
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
		for _, g := range t.g {
			g.SetSym(i, i, g.At(i, i)*(1+ridge))
		}
	}
	return t
}

// solve returns the first rows of the inverse of the leading n columns' matrix.
func (t *system) solve(part, n, rows int) ([]float64, error) {
	sign := 1.0
	if part == 1 {
		sign = -1
	}
	return solveRows(t.g[part].SliceSym(0, n), parts(t.shape, t.omega[:n], sign), rows)
}

// gain is the variance of Σ row_j·y_j per unit variance of a white sample.
func (t *system) gain(part int, row []float64) float64 {
	v := mat.NewVecDense(len(row), row)
	return mat.Inner(v, t.q[part].SliceSym(0, len(row)), v)
}
