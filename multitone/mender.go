package multitone

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Mender looks at the samples of one channel beside what its tones make of them, in
// pieces short enough that nothing moves by more than a parabola: it finds samples
// that stand out of the noise, and puts in the place of bad ones what the fit to the
// others says. It is for one goroutine.
type Mender struct{ short, long *piece }

const (
	// A short piece has so many periods of the tones' least spacing and no fewer samples
	// than these, so that several samples stand for each unknown; a long one can
	// spare a gap of some hundred.
	pieceSpacings = 16
	shortPiece    = 512
	longPiece     = 2048
	mostPiece     = 4096
	pieceColumns  = 8 // samples for each column at least
)

// NewMender prepares for the tones of a configuration, and for stretches of so many
// samples or more.
func NewMender(c Config, stretch int) (*Mender, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	length := max(int(math.Ceil(pieceSpacings*c.SampleRate/c.minSpacing())), pieceColumns*(6*len(c.Tones)+4))
	most := max(min(mostPiece, stretch), 8)
	return &Mender{
		newPiece(&c, min(max(length, shortPiece), most), slowBins),
		newPiece(&c, min(max(length, longPiece), most), slowBins, 1, 2), // the mains beside a drift
	}, nil
}

// piece is the fit to so many samples: the tones with amplitudes that change slowly,
// and drift.
type piece struct {
	length int
	basis  *mat.Dense // columns × length: cosines and sines about a piece's middle
	gram   *mat.SymDense
	y, a   *mat.VecDense
	fitted []float64
	off    []float64 // the samples off the fit
	rest   []float64
	out    []bool // samples that the fit leaves out
}

func newPiece(c *Config, length int, driftBins ...float64) *piece {
	m := &piece{length: length}
	bin := 2 * math.Pi / float64(length)
	omega := []float64{0}
	for _, d := range driftBins {
		omega = append(omega, d*bin)
	}
	for _, w := range c.omegas() {
		omega = append(omega, w-slowBins*bin, w, w+slowBins*bin)
	}
	var rows []float64
	for i, w := range omega {
		cos, sin := make([]float64, length), make([]float64, length)
		sinusoid(cos, sin, w, -float64(length-1)/2)
		rows = append(rows, cos...)
		if i > 0 {
			rows = append(rows, sin...)
		}
	}
	n := len(rows) / length
	m.basis = mat.NewDense(n, length, rows)
	m.gram = mat.NewSymDense(n, nil)
	m.gram.SymOuterK(1, m.basis)
	for i := range n {
		m.gram.SetSym(i, i, m.gram.At(i, i)*(1+ridge)) // tones nearer to each other than a piece tells apart
	}
	m.y, m.a = mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	m.fitted, m.off, m.out = make([]float64, length), make([]float64, length), make([]bool, length)
	return m
}

// fit finds what the tones make of a piece from the samples that are not out. It
// reports whether these are enough: half of them.
func (m *piece) fit(x []float64) bool {
	n, _ := m.basis.Dims()
	gram, count := m.gram, 0
	copy(m.fitted, x)
	var rows []float64
	for i, out := range m.out {
		if !out {
			continue
		}
		m.fitted[i] = 0
		if count++; count > m.length/2 {
			return false
		}
		for k := range n {
			rows = append(rows, m.basis.At(k, i))
		}
	}
	if count > 0 {
		gram = mat.NewSymDense(n, nil)
		gram.SymRankK(m.gram, -1, mat.NewDense(count, n, rows).T())
	}
	var chol mat.Cholesky
	m.y.MulVec(m.basis, mat.NewVecDense(m.length, m.fitted))
	if !chol.Factorize(gram) || chol.SolveVecTo(m.a, m.y) != nil {
		return false
	}
	mat.NewVecDense(m.length, m.fitted).MulVec(m.basis.T(), m.a)
	return true
}

// Mend replaces bad samples of a stretch x, counted from its start, by what the fit
// to those beside them says. It returns those that it could not replace: where too
// little is left about them. They keep their values.
func (m *Mender) Mend(x []float64, bad []Span) (left []Span) {
	for i := 0; i < len(bad); {
		from, p := bad[i].Start, m.short
		if bad[i].Stop-from > int64(p.length)/4 {
			p = m.long
		}
		// As many of them as one piece about the first covers in its middle half.
		j := i + 1
		for j < len(bad) && bad[j].Stop-from <= int64(p.length)/4 {
			j++
		}
		middle := (from + bad[j-1].Stop) / 2
		start := max(0, min(int(middle)-p.length/2, len(x)-p.length))
		if start+p.length > len(x) || !p.mend(x[start:start+p.length], bad, int64(start), bad[i:j]) {
			left = append(left, bad[i:j]...)
		}
		i = j
	}
	return left
}

// mend replaces some of the samples bad in the piece x.
func (m *piece) mend(x []float64, bad []Span, start int64, some []Span) bool {
	clear(m.out)
	m.each(bad, start, func(i int) { m.out[i] = true })
	if !m.fit(x) {
		return false
	}
	for _, s := range some {
		if s.Start < start || s.Stop > start+int64(m.length) {
			return false
		}
		copy(x[s.Start-start:s.Stop-start], m.fitted[s.Start-start:s.Stop-start])
	}
	return true
}

const (
	// outlying is how many robust sigmas off a sample stands out. Of Gaussian noise one
	// in 8e14 is so far off, erfc(8/√2) = 1.2e-15: of a channel at 200 kHz, one in a
	// hundred years. The median of 512 absolute values is known to 4 %, so that 8 is
	// never less than 6.7, 2e-11.
	outlying = 8
	// mostOutlying is the share of a piece that may stand out: more is no burst but a
	// signal that the tones do not explain.
	mostOutlying = 1. / 64
	// Where the tones do not explain a signal, as one clipped or switched, the residual has
	// a tail without a gap. Of Gaussian noise 6e-7 of all samples are more than five sigmas
	// off, so more than two of a piece in one of 1e8.
	tailing     = 5
	mostTailing = 2
	// firstOutlying: what is left of the greatest outliers pulls the fit at the samples
	// beside them by less than this share of them, so the lesser ones wait until the
	// greatest are out.
	firstOutlying = 0.3
)

// Outliers appends to list the samples of a stretch x, counted from its start, that
// stand out of the noise: the residual beside the fit to the others is more than
// eight robust sigmas, of which none is less than least. bad are known already.
func (m *Mender) Outliers(list []Span, x []float64, bad []Span, least float64) []Span {
	p := m.short
	if len(x) < p.length {
		return list
	}
	pieces := (len(x) + p.length - 1) / p.length
	for k := range pieces {
		start := min(k*p.length, len(x)-p.length)
		if !p.outliers(x[start:start+p.length], bad, int64(start), least) {
			continue
		}
		for i := k*p.length - start; i < p.length; i++ {
			first := i
			for i < p.length && p.out[i] {
				i++
			}
			if i > first {
				list = append(list, Span{int64(start + first), int64(start + i)})
			}
		}
	}
	return list
}

// outliers marks in out what stands out of the piece x; it reports whether anything
// does, and not so much that the tones explain the signal ill.
func (m *piece) outliers(x []float64, bad []Span, start int64, least float64) bool {
	clear(m.out)
	m.each(bad, start, func(i int) { m.out[i] = true })
	most := int(mostOutlying * float64(m.length))
	for found := 0; ; {
		if !m.fit(x) {
			return false
		}
		greatest, limit := 0.0, outlying*m.noise(x, least)
		for i, off := range m.off {
			if !m.out[i] {
				greatest = max(greatest, off)
			}
		}
		if greatest <= limit {
			if found == 0 {
				return false
			}
			// What was pulled out by others beside it goes back.
			count, tail := 0, 0
			for i, off := range m.off {
				switch {
				case off <= limit:
					m.out[i] = false
					if off > limit*tailing/outlying {
						tail++
					}
				case m.out[i]:
					count++
				}
			}
			if tail > max(mostTailing, count) {
				return false
			}
			break
		}
		for i, off := range m.off {
			if !m.out[i] && off > max(limit, firstOutlying*greatest) {
				m.out[i] = true
				found++
			}
		}
		if found > most {
			return false
		}
	}
	m.each(bad, start, func(i int) { m.out[i] = false })
	return true
}

// each goes through the samples of some spans that lie in a piece.
func (m *piece) each(list []Span, start int64, do func(i int)) {
	for _, s := range list {
		for i := max(s.Start-start, 0); i < min(s.Stop-start, int64(m.length)); i++ {
			do(int(i))
		}
	}
}

// noise writes how far the samples of a piece are off the fit, and returns the robust
// sigma of those that are not out: the median of |z| of a normal law is 0.6745
// (Abramowitz and Stegun, Handbook of Mathematical Functions, table 26.1).
func (m *piece) noise(x []float64, least float64) float64 {
	m.rest = m.rest[:0]
	for i, v := range x {
		m.off[i] = math.Abs(v - m.fitted[i])
		if !m.out[i] {
			m.rest = append(m.rest, m.off[i])
		}
	}
	slices.Sort(m.rest)
	return max(m.rest[len(m.rest)/2]/0.6745, least)
}
