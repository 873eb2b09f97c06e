package correction

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Options tunes Fit. The zero value of a field means its default.
type Options struct {
	Degree int // of the potentials; default: the lowest of 4 to 12 beyond which the evidence gains nothing
	// Start is where the search for the smoothness begins, such as that of a
	// bench that was a little different; default: anew.
	Start *Smoothness
	// Known is the smoothness, which then is not sought.
	Known *Smoothness
	// Draft leaves out the prediction of every station from all others.
	Draft bool
}

// ErrNothing reports that no correction predicts stations left out better than
// none.
var ErrNothing = errors.New("correction: the residuals hold no smooth field that predicts other stations")

// Bench is a calibrated bench without correction, linearised: its stations, and
// rows that belong to none, such as tolerances.
type Bench struct {
	Emitters   int
	Parameters int // of the bench: what the Columns of rows count
	Stations   []Station
	Known      []Row
}

// Fit finds the correction of each of the emitters, together with what the
// parameters of the bench and the stations' poses could do in its place. How
// smooth it is follows from the evidence of all couplings. What the left-out
// stations' errors exceed their prediction by widens the covariance.
func Fit(b *Bench, o Options) (*Map, error) {
	if err := b.check(&o); err != nil {
		return nil, err
	}
	var s Smoothness
	var err error
	if o.Known != nil {
		s = *o.Known
	} else if s, err = b.choose(&o); err != nil {
		return nil, err
	}
	m := newMap(b.Stations, b.Emitters, s.Degree)
	m.Smoothness = s
	reads, sizes := b.reads(m), b.sizes()
	q := newEquations(termsOf(s.Degree), all(b.Emitters), all(b.Parameters))
	q.gather(b.Stations, reads, b.Known)
	pr, err := newPrior(m.Smoothness)
	if err != nil {
		return nil, err
	}
	post, err := q.solve(pr, m.Smoothness.amplitudes(sizes))
	if err != nil {
		return nil, err
	}
	for e := range m.Emitters {
		copy(m.Emitters[e].Coefficients, post.mean[e*q.terms:])
	}
	m.Moved = post.mean[m.fields():]
	if o.Draft {
		return m, nil
	}
	if m.Covariance, err = post.covariance(); err != nil {
		return nil, err
	}
	m.Spent = q.spent(m.Covariance, pr, m.Smoothness.amplitudes(sizes))
	return m, b.validate(m, q, post.mean, reads)
}

func (b *Bench) check(o *Options) error {
	switch {
	case o.Degree < 0 || o.Degree > MaxDegree:
		return fmt.Errorf("correction: Options.Degree = %d: must be from 1 to %d", o.Degree, MaxDegree)
	case o.Known != nil && (o.Known.Degree < 1 || o.Known.Degree > MaxDegree):
		return fmt.Errorf("correction: Options.Known is of degree %d: must be from 1 to %d", o.Known.Degree, MaxDegree)
	case b.Emitters < 1:
		return fmt.Errorf("correction: %d emitters: need one", b.Emitters)
	case len(b.Stations) < 2:
		return fmt.Errorf("correction: %d stations: need two", len(b.Stations))
	}
	for s := range b.Stations {
		if err := b.Stations[s].check(b.Emitters, b.Parameters); err != nil {
			return fmt.Errorf("correction: station %d: %w", s, err)
		}
	}
	known := Station{Rows: b.Known}
	if err := known.check(b.Emitters, b.Parameters); err != nil {
		return fmt.Errorf("correction: known: %w", err)
	}
	return nil
}

// reads is what every station's pickups read of each term.
func (b *Bench) reads(m *Map) [][]float64 {
	var out [][]float64
	for s := range b.Stations {
		out = append(out, m.reads(b.Stations[s].Pickups))
	}
	return out
}

func all(n int) []bool { return slices.Repeat([]bool{true}, n) }

// sizes are the rms residual fields of the emitters [T/A]; of one without
// couplings, that of all.
func (b *Bench) sizes() []float64 {
	sum, count := make([]float64, b.Emitters+1), make([]float64, b.Emitters+1)
	for _, st := range b.Stations {
		for _, rw := range st.Rows {
			if rw.Pickup < 0 || rw.ByCoupling == 0 {
				continue
			}
			area := 0.0
			for _, pt := range st.Pickups[rw.Pickup] {
				area += r3.Norm(pt.Along)
			}
			v := rw.Residual / (rw.ByCoupling * area)
			for _, e := range []int{rw.Emitter, b.Emitters} {
				sum[e] += v * v
				count[e]++
			}
		}
	}
	for e := b.Emitters; e >= 0; e-- {
		sum[e] = math.Sqrt(sum[e] / max(1, count[e]))
		if sum[e] == 0 {
			sum[e] = sum[b.Emitters]
		}
	}
	return sum[:b.Emitters]
}

// posterior is what equations and a prior give.
type posterior struct {
	mean   []float64
	factor blas64.Triangular
	minus2 float64 // −2 log evidence, but for a constant
}

// solve adds the prior to the equations; each emitter whose coefficients are
// sought has an amplitude of its own [T/A].
func (q *equations) solve(pr *prior, amplitudes []float64) (*posterior, error) {
	p := &posterior{mean: make([]float64, q.n), minus2: q.yy}
	a := slices.Clone(q.a)
	for e, at := range q.first {
		if at < 0 || q.terms == 0 {
			continue
		}
		w := 1 / (amplitudes[e] * amplitudes[e])
		for i := range q.terms {
			row := a[(at+i)*q.n+at : (at+i)*q.n+at+q.terms]
			for k, v := range pr.inverse.RawSymmetric().Data[i*q.terms+i : (i+1)*q.terms] {
				row[i+k] += w * v
			}
		}
		p.minus2 += pr.logDet - float64(q.terms)*math.Log(w)
	}
	var ok bool
	if p.factor, ok = lapack64.Potrf(blas64.Symmetric{N: q.n, Stride: max(1, q.n), Data: a, Uplo: blas.Upper}); !ok {
		return nil, errors.New("correction: the normal equations are not positive definite")
	}
	for i, g := range q.g {
		p.mean[i] = -g
		p.minus2 += 2 * math.Log(a[i*q.n+i])
	}
	v := blas64.Vector{N: q.n, Inc: 1, Data: p.mean}
	blas64.Trsv(blas.Trans, p.factor, v)
	for _, z := range p.mean {
		p.minus2 -= z * z
	}
	blas64.Trsv(blas.NoTrans, p.factor, v)
	return p, nil
}

// covariance overwrites the factor.
func (p *posterior) covariance() (*mat.SymDense, error) {
	if len(p.mean) == 0 {
		return new(mat.SymDense), nil
	}
	s, ok := lapack64.Potri(p.factor)
	if !ok {
		return nil, errors.New("correction: covariance of the coefficients")
	}
	return mat.NewSymDense(s.N, s.Data), nil
}

// spent is the number of coefficients less the trace of their covariance over
// their prior: each that the couplings determine counts one.
func (q *equations) spent(cov *mat.SymDense, pr *prior, amplitudes []float64) float64 {
	sum := 0.0
	for e, at := range q.first {
		w := 1 / (amplitudes[e] * amplitudes[e])
		for i := range q.terms {
			sum++
			for k := range q.terms {
				sum -= w * pr.inverse.At(i, k) * cov.At(at+i, at+k)
			}
		}
	}
	return sum
}
