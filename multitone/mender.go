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
type Mender struct {
	cfg         Config
	short, long *piece
}

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
	length := max(int(math.Ceil(pieceSpacings*c.SampleRate/c.minSpacing())), pieceColumns*(6*len(c.Tones)+2*len(c.Foreign)+4))
	most := max(min(mostPiece, stretch), 8)
	c.Tones = slices.Clone(c.Tones)
	return &Mender{c,
		newPiece(&c, min(max(length, shortPiece), most), slowBins),
		newPiece(&c, min(max(length, longPiece), most), slowBins, 1, 2), // the mains beside a drift
	}, nil
}

// fitting is a piece, or one as long as a stretch that is shorter; nil if that is too
// short for any.
func (m *Mender) fitting(p *piece, stretch int) *piece {
	if stretch >= p.length {
		return p
	}
	if columns, _ := m.short.basis.Dims(); stretch < 2*columns {
		return nil
	}
	return newPiece(&m.cfg, stretch, slowBins)
}

// piece is the fit to so many samples: the tones with amplitudes that change slowly,
// and drift.
type piece struct {
	length int
	start  int        // in the stretch at hand
	basis  *mat.Dense // columns × length: cosines and sines about a piece's middle
	gram   *mat.SymDense
	folded folded // the same, for a piece of which all samples count
	y, a   *mat.VecDense
	fitted []float64
	off    []float64 // the samples off the fit
	rest   []float64
	median median
	out    []bool // samples that the fit leaves out
	some   bool   // there are any
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
	for _, l := range c.Foreign {
		omega = append(omega, c.omega(l.Hz))
	}
	n := 2*len(omega) - 1 // no sine of 0 Hz
	m.basis = mat.NewDense(n, length, nil)
	none := make([]float64, length)
	for i, w := range omega {
		cos, sin := m.basis.RawRowView(max(2*i-1, 0)), none
		if i > 0 {
			sin = m.basis.RawRowView(2 * i)
		}
		sinusoid(cos, sin, w, -float64(length-1)/2)
	}
	m.gram = mat.NewSymDense(n, nil)
	m.gram.SymOuterK(1, m.basis)
	for i := range n {
		m.gram.SetSym(i, i, m.gram.At(i, i)*(1+ridge)) // tones nearer to each other than a piece tells apart
	}
	m.folded = newFolded(m.basis, m.gram)
	m.y, m.a = mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	m.fitted, m.off, m.out = make([]float64, length), make([]float64, length), make([]bool, length)
	return m
}

// fit finds what the tones make of a piece from the samples that are not out. It
// reports whether these are enough: half of them.
func (m *piece) fit(x []float64) bool {
	copy(m.fitted, x)
	if !m.some {
		return m.folded.fit(m.fitted)
	}
	n, _ := m.basis.Dims()
	count := 0
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
	gram := mat.NewSymDense(n, nil)
	gram.SymRankK(m.gram, -1, mat.NewDense(count, n, rows).T())
	var chol mat.Cholesky
	sound := chol.Factorize(gram)
	m.y.MulVec(m.basis, mat.NewVecDense(m.length, m.fitted))
	if !sound || chol.SolveVecTo(m.a, m.y) != nil {
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
		if p = m.fitting(p, len(x)); p == nil {
			return bad
		}
		// As many of them as one piece about the first covers in its middle half.
		j := i + 1
		for j < len(bad) && bad[j].Stop-from <= int64(p.length)/4 {
			j++
		}
		middle := (from + bad[j-1].Stop) / 2
		start := max(0, min(int(middle)-p.length/2, len(x)-p.length))
		if !p.mend(x, start, bad, bad[i:j]) {
			left = append(left, bad[i:j]...)
		}
		i = j
	}
	return left
}

// mend replaces some of the samples bad in the piece of x that begins at start.
func (m *piece) mend(all []float64, start int, bad, some []Span) bool {
	m.start = start
	x := all[start : start+m.length]
	m.leaveOut(bad)
	if some[0].Start < int64(start) || some[len(some)-1].Stop > int64(start+m.length) || !m.fit(x) {
		return false
	}
	m.each(some, func(i int) { x[i] = m.fitted[i] })
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
	// restless: a piece with so much more noise than the quietest has a step or a motion
	// in it, which hides bursts.
	restless = 1.5
	// firstOutlying: what is left of the greatest outliers pulls the fit at the samples
	// beside them by less than this share of them, so the lesser ones wait until the
	// greatest are out.
	firstOutlying = 0.3
)

// Outliers finds the samples of a stretch x, counted from its start, that
// stand out of the noise: the residual beside the fit to the others is more than
// eight robust sigmas, of which none is less than least. bad are known already. list gives the memory.
func (m *Mender) Outliers(list []Span, x []float64, bad []Span, least float64) []Span {
	list = list[:0]
	p := m.fitting(m.short, len(x))
	if p == nil {
		return list
	}
	quiet := math.Inf(1)
	for at := 0; at < len(x); at += p.length {
		sigma, ok := p.outliers(x, min(at, len(x)-p.length), bad, least)
		if quiet = min(quiet, sigma); ok && sigma < restless*quiet {
			list = p.found(list, at)
			continue
		}
		// Something happens in this piece: those half a piece before and after it may be
		// of one kind. In a short stretch they are this one.
		for _, start := range []int{at - p.length/2, at + p.length/2} {
			if start = max(0, min(start, len(x)-p.length)); start != p.start {
				_, ok = p.outliers(x, start, bad, least)
			}
			if ok {
				list = p.found(list, start)
			}
		}
	}
	return Join(list)
}

// found appends what is out of the piece, from a sample on.
func (m *piece) found(list []Span, from int) []Span {
	for i := max(from-m.start, 0); i < m.length; i++ {
		first := i
		for i < m.length && m.out[i] {
			i++
		}
		if i > first {
			list = append(list, Span{int64(m.start + first), int64(m.start + i)})
		}
	}
	return list
}

// outliers marks in out what stands out of the piece of x that begins at start, and
// returns its noise. It is not ok where so much does that the tones explain the signal ill.
func (m *piece) outliers(all []float64, start int, bad []Span, least float64) (sigma float64, ok bool) {
	m.start = start
	x := all[start : start+m.length]
	m.leaveOut(bad)
	most := int(mostOutlying * float64(m.length))
	found := 0
	for {
		if !m.fit(x) {
			return math.Inf(1), false
		}
		var greatest float64
		sigma, greatest = m.noise(x, least)
		limit := outlying * sigma
		if greatest <= limit {
			if found == 0 {
				break
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
				return sigma, false
			}
			break
		}
		before := found
		for i, off := range m.off {
			if !m.out[i] && off > max(limit, firstOutlying*greatest) {
				m.out[i], m.some = true, true
				found++
			}
		}
		if found > most || found == before { // none: not even the fit is finite
			return sigma, false
		}
	}
	if found > 0 {
		m.keepAlone(sigma)
	}
	m.each(bad, func(i int) { m.out[i] = false })
	return sigma, true
}

// quietBeside is how many samples on either side of a burst it must stand out of, where
// they are restless.
const quietBeside = 16

// keepAlone keeps of what stands out of a piece what does so of the samples beside it:
// where a sensor sets off or comes to rest within a piece, these are off the fit as
// well.
func (m *piece) keepAlone(sigma float64) {
	for i := 0; i < m.length; i++ {
		first, greatest := i, 0.0
		for i < m.length && m.out[i] {
			greatest = max(greatest, m.off[i])
			i++
		}
		if i == first {
			continue
		}
		m.rest = m.rest[:0]
		m.rest = append(append(m.rest, m.off[max(0, first-quietBeside):first]...), m.off[i:min(m.length, i+quietBeside)]...)
		if local := m.median.of(m.rest, largest(m.rest)) / 0.6745; local > restless*sigma && greatest < outlying*local {
			for k := first; k < i; k++ {
				m.out[k] = false
			}
		}
	}
}

// leaveOut marks bad samples of the piece, and no others.
func (m *piece) leaveOut(bad []Span) {
	clear(m.out)
	m.some = false
	m.each(bad, func(i int) { m.out[i], m.some = true, true })
}

// each goes through the samples of some spans that lie in a piece.
func (m *piece) each(list []Span, do func(i int)) {
	start := int64(m.start)
	for _, s := range list {
		for i := max(s.Start-start, 0); i < min(s.Stop-start, int64(m.length)); i++ {
			do(int(i))
		}
	}
}

// noise writes how far the samples of a piece are off the fit, and returns of those that
// are not out the robust sigma and the greatest: the median of |z| of a normal law is
// 0.6745 (Abramowitz and Stegun, Handbook of Mathematical Functions, table 26.1).
func (m *piece) noise(x []float64, least float64) (sigma, greatest float64) {
	off, fitted := m.off[:len(x)], m.fitted[:len(x)]
	for i, v := range x {
		off[i] = math.Abs(v - fitted[i])
	}
	rest := off
	if m.some {
		m.rest = m.rest[:0]
		for i, v := range off {
			if !m.out[i] {
				m.rest = append(m.rest, v)
			}
		}
		rest = m.rest
	}
	greatest = largest(rest)
	return max(m.median.of(rest, greatest)/0.6745, least), greatest
}
