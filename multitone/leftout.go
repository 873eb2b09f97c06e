package multitone

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// part of a column: its cosine, or its sine with a minus, as projections have it.
type basis struct {
	part   int
	column int
}

// leftOut is the joint fit of a window in which some samples weigh nothing. A model
// of sinusoids is fitted to the samples that are left, and stands for the others: with
// M = Σ w·c·cᵀ over those left and A = Σ w·c·cᵀ over those left out, what was the
// function b of the window's projections becomes b + M⁻¹·A·b. Where the model is that
// of the function, this is weighted least squares over the samples left: what is put
// in the place of the others is what the fit makes of them. A model that knows
// amplitudes to change keeps the window's weights where they were, so that motion
// moves the result no more than if nothing were missing.
//
// M does not part into cosines and sines, for what is missing is not even about
// the middle.
type leftOut struct {
	system *system
	basis  []basis
	model  []int // of the basis
	chol   mat.Cholesky
	out    *mat.SymDense // A over the basis
	power  *mat.SymDense // Σ w²·c·cᵀ over the samples left
	fits   bool
}

// maxCondition: a fit this near to singular is none.
const maxCondition = 1e12

// newLeftOut prepares the fit of a model, columns of a system, without some samples,
// counted from the window's start.
func newLeftOut(t *system, model func(column int) bool, without []Span) *leftOut {
	l := &leftOut{system: t}
	for part := range 2 {
		for i, omega := range t.omega {
			if !t.shape.present(part, omega) {
				continue
			}
			if model(i) {
				l.model = append(l.model, len(l.basis))
			}
			l.basis = append(l.basis, basis{part, i})
		}
	}
	n := len(l.basis)
	l.out, l.power = mat.NewSymDense(n, nil), mat.NewSymDense(n, nil)
	squared := t.shape.squared()
	for _, s := range without {
		l.sum(l.out, 1, t.shape, int(s.Start), int(s.Stop))
		l.sum(l.power, -1, squared, int(s.Start), int(s.Stop))
	}
	for i, p := range l.basis {
		for j := i; j < n; j++ {
			if q := l.basis[j]; p.part == q.part {
				l.power.SetSym(i, j, l.power.At(i, j)+t.power(p.part).At(p.column, q.column))
			}
		}
	}
	m := mat.NewSymDense(len(l.model), nil)
	for i, at := range l.model {
		for j := i; j < len(l.model); j++ {
			p, q, v := l.basis[at], l.basis[l.model[j]], 0.0
			if p.part == q.part {
				v = t.g[p.part].At(p.column, q.column)
			}
			m.SetSym(i, j, v-l.out.At(at, l.model[j]))
		}
	}
	l.fits = l.chol.Factorize(m) && l.chol.Cond() < maxCondition
	return l
}

// fewSamples are cheaper taken off one by one than by closed forms.
const fewSamples = 24

// sum adds Σ sign·w·c·cᵀ over samples [from, to) of a window.
func (l *leftOut) sum(m *mat.SymDense, sign float64, s shape, from, to int) {
	if to-from <= fewSamples {
		c := mat.NewVecDense(len(l.basis), nil)
		for n := from; n < to; n++ {
			u := float64(n) - float64(s.length-1)/2
			for i, b := range l.basis {
				sin, cos := math.Sincos(l.system.omega[b.column] * u)
				if b.part == 0 {
					c.SetVec(i, cos)
				} else {
					c.SetVec(i, -sin)
				}
			}
			m.SymRankOne(m, sign*s.at(u), c)
		}
		return
	}
	for i, p := range l.basis {
		for j := i; j < len(l.basis); j++ {
			q := l.basis[j]
			a, b := l.system.omega[p.column], l.system.omega[q.column]
			less, more := s.partial(a-b, from, to), s.partial(a+b, from, to)
			var v float64
			switch {
			case p.part == 0 && q.part == 0:
				v = real(less) + real(more)
			case p.part == 1 && q.part == 1:
				v = real(less) - real(more)
			default: // cos a·(−sin b) with the cosine first
				v = imag(less) - imag(more)
			}
			m.SetSym(i, j, m.At(i, j)+sign*v/2)
		}
	}
}

// functions are combinations as they become by leaving samples out: rows over the
// basis for real and imaginary part.
type functions struct {
	rows [][2]*mat.VecDense // nil: the samples left do not fix them
	gain []float64          // as of combinations; infinite without rows
}

// of adapts functions of a window's projections.
func (l *leftOut) of(c *combinations) *functions {
	f := &functions{rows: make([][2]*mat.VecDense, len(c.gain)), gain: make([]float64, len(c.gain))}
	in := mat.NewVecDense(len(l.model), nil)
	for i := range f.rows {
		for part := range 2 {
			b := c.parts[part][i*c.columns : (i+1)*c.columns]
			row := mat.NewVecDense(len(l.basis), nil)
			for k, p := range l.basis {
				if p.part == part && p.column < c.columns {
					row.SetVec(k, b[p.column])
				}
			}
			for k, at := range l.model {
				v := 0.0
				for j, b := range row.RawVector().Data {
					v += l.out.At(at, j) * b
				}
				in.SetVec(k, v)
			}
			if !l.fits || l.chol.SolveVecTo(in, in) != nil {
				f.gain[i] = math.Inf(1)
				break
			}
			for k, at := range l.model {
				row.SetVec(at, row.AtVec(at)+in.AtVec(k))
			}
			f.rows[i][part] = row
			f.gain[i] += mat.Inner(row, l.power, row) / 2
		}
		if !(f.gain[i] < maxInflation*c.gain[i]) {
			f.rows[i], f.gain[i] = [2]*mat.VecDense{}, math.Inf(1)
		}
	}
	return f
}

// at gives function i of one channel's projections y over the samples left.
func (f *functions) at(i int, basis []basis, y []complex128) complex128 {
	if f.rows[i][0] == nil {
		return 0
	}
	var parts [2]float64
	for part := range parts {
		row := f.rows[i][part].RawVector().Data
		for k, p := range basis {
			v := real(y[p.column])
			if p.part == 1 {
				v = imag(y[p.column])
			}
			parts[part] += row[k] * v
		}
	}
	return complex(parts[0], parts[1])
}

// partial is Σ w(u)·e^{jωu} over the samples [from, to) of a window.
func (s shape) partial(omega float64, from, to int) complex128 {
	middle := float64(from+to-1)/2 - float64(s.length-1)/2
	term := func(w float64) complex128 {
		return complex(dirichlet(w, to-from), 0) * unit(cycles(w*middle/(2*math.Pi)))
	}
	sum := complex(s.cosine[0], 0) * term(omega)
	for j, a := range s.cosine[1:] {
		step := 2 * math.Pi * float64(j+1) / float64(s.length)
		sum += complex(a/2, 0) * (term(omega+step) + term(omega-step))
	}
	return sum
}

// remnant is what is measured in a window without some samples.
type remnant struct {
	without      []Span
	basis        []basis
	tones, bends *functions
}

func newRemnant(a *analysis, t *system, model func(column int) bool, without []Span) *remnant {
	l := newLeftOut(t, model, without)
	r := &remnant{without: slices.Clone(without), basis: l.basis, tones: l.of(a.estimator), bends: &functions{}}
	if len(a.bends) > 0 {
		r.bends = l.of(a.bend)
	}
	return r
}

// fill writes one channel's raw phasors and bends from its projections y over the
// samples that are left; the gains of their variances stay with the frame.
func (r *remnant) fill(f *Frame, channel int, y []complex128) {
	if f.remnants == nil {
		f.remnants = map[int]*remnant{}
	}
	f.remnants[channel] = r
	for k := range r.tones.gain {
		f.Phasor[k*f.Channels+channel] = r.tones.at(k, r.basis, y)
	}
	for i := range r.bends.gain {
		f.bent[i*f.Channels+channel] = r.bends.at(i, r.basis, y)
	}
}

// mostTrusted is the share of a window that may be left out of one whose tones follow
// a bowed course.
const mostTrusted = 0.05

// trust keeps what a window makes of the samples in the place of those left out of a
// channel, where the model of leftOut does not hold: these are near to what the tones
// would have been. It states the variance of as many samples as are left.
func (a *analysis) trust(f *Frame, channel int, without []Span) {
	lost := 0.0
	for _, s := range without {
		lost += real(a.shape.partial(0, int(s.Start), int(s.Stop))) / a.shape.spectrum(0)
	}
	more := 1 / ((1 - lost) * (1 - lost))
	if lost > mostTrusted {
		more = math.Inf(1)
	}
	scaled := func(c *combinations) *functions {
		g := &functions{}
		if c != nil {
			for _, v := range c.gain {
				g.gain = append(g.gain, v*more)
			}
		}
		return g
	}
	if f.remnants == nil {
		f.remnants = map[int]*remnant{}
	}
	f.remnants[channel] = &remnant{tones: scaled(a.estimator), bends: scaled(a.bend)}
}

// remainder measures single channels of a window without some of their samples. What
// stands for these may change its amplitude inside the window.
type remainder struct {
	analysis   *analysis
	system     *system
	projection *projection
	samples    []float64
	y          []complex128
	latest     *remnant // channels often miss the same samples
}

// slowBins is how far beside a tone the sinusoids stand that let its amplitude change
// by a straight line or a parabola: at a quarter of a bin they bridge a gap and go on to the
// window's ends, where those at a whole one come back to where they began.
const slowBins = 0.25

func newRemainder(c *Config, a *analysis) *remainder {
	omega := append(slices.Clone(a.omega), a.slow(c)...)
	for _, tone := range c.omegas() {
		for _, side := range []float64{-slowBins, slowBins} {
			if w := tone + side*a.shape.spacing(); c.clear(w, omega, 0.9*slowBins*a.shape.spacing()) {
				omega = append(omega, w)
			}
		}
	}
	straight := &analysis{shape: a.shape, omega: omega, tones: slices.Repeat([]int{fixed}, len(omega))}
	return &remainder{analysis: a, system: newSystem(a.shape, omega, len(c.Tones), a.strong, nil), projection: newProjection(&Config{SampleRate: c.SampleRate, Channels: 1}, straight),
		samples: make([]float64, a.shape.length), y: make([]complex128, len(omega))}
}

// slow are the frequencies [rad/sample] of sinusoids for what changes slowly in a window:
// mains, flicker noise. The taper keeps it from the tones as long as no samples are
// missing; with a hole it leaks into them, and must be fitted as well. Offset and ramp
// do not follow it; sinusoids a bin apart do. They end where lines begin to be fitted,
// and well below the tones, which they would make uncertain. A window without a taper
// has lines fitted all the way down.
func (a *analysis) slow(c *Config) (omega []float64) {
	bin, halfLobe := a.shape.spacing(), float64(len(a.shape.cosine))
	if halfLobe <= 1 {
		return nil
	}
	lowest := slices.Min(a.omega[:len(c.Tones)])
	for w := bin / 2; w < (halfLobe+1)*bin && w < lowest-2*halfLobe*bin; w += bin {
		if c.clear(w, a.omega, 0.4*bin) {
			omega = append(omega, w)
		}
	}
	return omega
}

// measure fills one channel of a frame from the samples [V] that get writes, less
// those left out, counted from the window's start.
func (r *remainder) measure(f *Frame, channel int, without []Span, get func([]float64)) {
	get(r.samples)
	for _, s := range without {
		clear(r.samples[s.Start:s.Stop])
	}
	clear(r.y)
	p := r.projection
	for i := range p.chunks {
		project(p, r.y, i, r.samples[i*p.chunk:min((i+1)*p.chunk, len(r.samples))], nil)
	}
	model := func(column int) bool { return column < r.analysis.plain || column >= len(r.analysis.omega) }
	if r.latest == nil || !slices.Equal(r.latest.without, without) {
		r.latest = newRemnant(r.analysis, r.system, model, without)
	}
	r.latest.fill(f, channel, r.y)
}
