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
	if inColumns(len(taper)) {
		return newColumns(taper)
	}
	return newPlain(taper)
}

// Transform makes power spectra of single series of one length, which may be complex. It is
// for one goroutine.
type Transform struct {
	powers powers
	sum    []float64
}

// NewTransform prepares for series under a taper of their length. Lengths without prime
// factors above five transform fast, those that are multiples of 16 as well several times
// as fast.
func NewTransform(taper []float64) *Transform {
	return &Transform{newPowers(taper), make([]float64, len(taper))}
}

// Powers writes |Z|² to dst, bin by bin, as many as it holds: of the series (re − mean + j·im)
// under the taper, or of a real one, if im is nil.
func (t *Transform) Powers(dst, re, im []float64, mean float64) {
	clear(t.sum)
	t.powers.add(t.sum, re, im, mean, 0)
	for k := range dst {
		dst[k] = t.sum[t.powers.place(k)]
	}
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

// columns serves lengths that inColumns names. The segment is a matrix of rows
// by across numbers, row by row: its columns are transformed, turned by
// exp(−j2πkn/N) in row k and column n, and then its rows, so that each transform is
// short enough for the nearest cache and several go side by side. The result stands in
// columns (Bailey, J. Supercomputing 4(1), 1990: the four-step method).
type columns struct {
	rows, across  int  // multiples of four; across may have another factor of two
	unpaired      bool // it has
	taper         []float64
	down, along   []stage
	between       []complex128 // in the order of turned
	turned        []complex128 // strips of four rows, column by column
	first, second []complex128 // four transforms
	silence       []float64
}

const (
	side         = kernel.FourierColumns
	leastColumns = 128
)

// inColumns tells whether a length is that of a matrix of which both sides are multiples of
// four, with no prime factor above five.
func inColumns(n int) bool { return n >= leastColumns && n%(side*side) == 0 && Smooth(n) }

// sides are those of the matrix, the first as near to the second as its factors allow, and
// of no more than one factor of two that is not squared: in the second.
func sides(n int) (rows, across int) {
	rows, across = side, side
	rest := n / (side * side)
	for _, factor := range []int{5, 4, 3} {
		for ; rest%factor == 0; rest /= factor {
			if rows < across {
				rows *= factor
			} else {
				across *= factor
			}
		}
	}
	return rows, across * rest
}

func newColumns(taper []float64) *columns {
	n := len(taper)
	c := &columns{taper: taper, between: make([]complex128, n), silence: make([]float64, n)}
	c.rows, c.across = sides(n)
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

// stage is one of a transform.
type stage struct {
	radix int // three, four or five
	turns []complex128
}

// stages are those of a length without prime factors above five; of one with an odd number of
// factors of two the last stage, of two, is missing.
func stages(n int) (all []stage) {
	for _, radix := range []int{4, 5, 3} {
		for ; n%radix == 0; n /= radix {
			s := stage{radix: radix}
			for p := range n / radix {
				for k := 1; k < radix; k++ {
					s.turns = append(s.turns, root(k*p, n))
				}
			}
			all = append(all, s)
		}
	}
	return all
}

// run passes the numbers of a through stages, to b and back, and returns the one of both
// that has the result.
func run(all []stage, a, b []complex128) []complex128 {
	s := 1
	for _, t := range all {
		if t.radix == 4 {
			kernel.Quarters(b, a, t.turns, s)
		} else {
			kernel.Odds(b, a, t.turns, s, t.radix)
		}
		a, b = b, a
		s *= t.radix
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
