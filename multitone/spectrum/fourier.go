package spectrum

import (
	"math"
	"math/bits"

	"gonum.org/v1/gonum/dsp/fourier"

	"tonepose/multitone/internal/kernel"
)

// powers adds up |X|² of real segments, two at a time: transformed as one,
// Z = X₁ + jX₂, their powers in bin k add up to (|Z[k]|² + |Z[N−k]|²)/2.
type powers interface {
	// add adds |Z|² to sum, in an order of its own, for segments of which a mean is
	// taken off and that are tapered. y may be nil.
	add(sum, x, y []float64, meanX, meanY float64)
	// place is where sum has bin k of Z, 0 ≤ k < N.
	place(k int) int
	// beside is the same with room of its own to work in.
	beside() powers
}

// newPowers returns the fastest that there is for the taper's length.
func newPowers(taper []float64) powers {
	if n := len(taper); n&(n-1) == 0 && n >= leastColumns {
		return newColumns(taper)
	}
	return newPlain(taper)
}

// plain serves any length.
type plain struct {
	taper []float64
	z     []complex128
	fft   *fourier.CmplxFFT
}

func (p *plain) add(sum, x, y []float64, meanX, meanY float64) {
	for i, w := range p.taper {
		p.z[i] = complex((x[i]-meanX)*w, 0)
		if y != nil {
			p.z[i] = complex(real(p.z[i]), (y[i]-meanY)*w)
		}
	}
	for k, z := range p.fft.Coefficients(p.z, p.z) {
		sum[k] += real(z)*real(z) + imag(z)*imag(z)
	}
}

func newPlain(taper []float64) *plain {
	return &plain{taper, make([]complex128, len(taper)), fourier.NewCmplxFFT(len(taper))}
}

func (p *plain) place(k int) int { return k }

func (p *plain) beside() powers { return newPlain(p.taper) }

// columns serves powers of two from leastColumns on. The segment is a matrix of rows
// by across numbers, row by row: its columns are transformed, turned by
// exp(−j2πkn/N) in row k and column n, and then its rows, so that each transform is
// short enough for the nearest cache and several go side by side. The result stands in
// columns (Bailey, J. Supercomputing 4(1), 1990: the four-step method).
type columns struct {
	rows, across  int  // powers of four; across may have another two
	unpaired      bool // it has
	taper         []float64
	down, along   [][]complex128 // turns of the stages
	between       []complex128   // in the order of turned
	turned        []complex128   // strips of four rows, column by column
	first, second []complex128   // four transforms
	silence       []float64
}

const (
	side         = kernel.FourierColumns
	leastColumns = 128 // 16 × 8
)

func newColumns(taper []float64) *columns {
	n := len(taper)
	rows := 1 << max(4, bits.TrailingZeros(uint(n))/4*2)
	c := &columns{rows: rows, across: n / rows, taper: taper, between: make([]complex128, n), silence: make([]float64, n)}
	c.down, c.along = stages(c.rows), stages(c.across)
	c.unpaired = bits.TrailingZeros(uint(c.across))%2 == 1
	c.makeRoom()
	for k := range c.rows {
		for i := range c.across {
			c.between[c.strip(k, i)] = root(k*i, n)
		}
	}
	return c
}

// makeRoom makes what add overwrites.
func (c *columns) makeRoom() {
	most := side * max(c.rows, c.across)
	c.turned = make([]complex128, len(c.taper))
	c.first, c.second = make([]complex128, most), make([]complex128, most)
}

func (c *columns) beside() powers {
	other := *c
	other.makeRoom()
	return &other
}

// strip is where turned has the number of a row and a column.
func (c *columns) strip(row, column int) int {
	return (row/side*c.across+column)*side + row%side
}

// root is exp(−j2πk/n).
func root(k, n int) complex128 {
	s, c := math.Sincos(-2 * math.Pi * float64(k%n) / float64(n))
	return complex(c, s)
}

// stages are the turns of kernel.Quarters for a length of a power of four, or twice one:
// then the last stage, of two, is missing.
func stages(n int) (all [][]complex128) {
	for ; n >= 4; n /= 4 {
		var turns []complex128
		for p := range n / 4 {
			turns = append(turns, root(p, n), root(2*p, n), root(3*p, n))
		}
		all = append(all, turns)
	}
	return all
}

// run passes the numbers of a through stages, to b and back, and returns the one of both
// that has the result.
func run(all [][]complex128, a, b []complex128) []complex128 {
	s := 1
	for _, turns := range all {
		kernel.Quarters(b, a, turns, s)
		a, b = b, a
		s *= 4
	}
	return a
}

func (c *columns) add(sum, x, y []float64, meanX, meanY float64) {
	if y == nil {
		y, meanY = c.silence, 0
	}
	a := c.first[:side*c.rows]
	for from := 0; from < c.across; from += side {
		kernel.TaperColumns(a, x[from:], y[from:], c.taper[from:], c.across, meanX, meanY)
		at := c.strip(0, from)
		kernel.TurnTiles(c.turned[at:], run(c.down, a, c.second[:len(a)]), c.between[at:], side*c.across)
	}
	for size, at := side*c.across, 0; at < len(sum); at += size {
		z := run(c.along, c.turned[at:at+size], c.first[:size])
		if c.unpaired {
			half := size / 2
			for i, a := range z[:half] {
				b := z[half+i]
				z[i], z[half+i] = a+b, a-b
			}
		}
		kernel.AddPowers(sum[at:at+size], z)
	}
}

func (c *columns) place(k int) int { return c.strip(k%c.rows, k/c.rows) }
