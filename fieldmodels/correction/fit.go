package correction

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Point is a part of what a pickup reads of a field: Along·B(At). The parts of a
// coil averaged over its disc carry its axis times its area and turns, and
// their weights.
type Point struct {
	At    r3.Vec // [m], rig frame
	Along r3.Vec // [m²]
}

// Station is what a sensor read at a known place.
type Station struct {
	Pickups [][]Point
	// Residual is observed less modelled [H], at index e·len(Pickups) + c.
	Residual []float64
	Variance []float64 // of the noise [H²]; +Inf: missing
	// Common are errors that all residuals of the station share, each by its
	// standard deviation: how each residual moves [H] with one sigma of the place
	// or turn that was told. At index residual; may be nil.
	Common [][6]float64
}

// Options tunes Fit. The zero value of a field means its default.
type Options struct {
	Degree int // highest degree of the potentials; default 6
	Folds  int // of the cross-validation, station s in fold s mod Folds; default 5
}

// ErrNothing reports that no correction predicts stations left out better than
// none.
var ErrNothing = errors.New("correction: the residuals hold no smooth field that predicts other stations")

// Smoothness is what cross-validation chose: the prior of a coefficient of
// degree l is a normal one of sigma Amplitude·Falloff^(l−1).
type Smoothness struct {
	Falloff  float64 // of amplitude from one degree to the next
	Relative float64 // Amplitude over the size of the residual field of the emitter
}

var (
	falloffs  = []float64{0.25, 0.4, 0.55, 0.7, 0.85}
	relatives = []float64{0.3, 1, 3}
)

// problem is the normal equations of all stations and of each fold.
type problem struct {
	n, per, emitters int // n = emitters·per
	all              equations
	fold             []equations
	size             []float64 // rms field of the residuals of each emitter [T/A]
}

// equations are XᵀWX, XᵀWy and yᵀWy of whitened residuals, and their number.
type equations struct {
	a, g  []float64
	yy    float64
	count int
}

// Fit finds the corrections of all emitters together: at a station, the errors of
// the place that was told move the couplings of all of them.
func Fit(stations []Station, emitters int, o Options) (*Map, error) {
	if o.Degree == 0 {
		o.Degree = 6
	}
	if o.Folds == 0 {
		o.Folds = 5
	}
	switch {
	case o.Degree < 1 || o.Degree > MaxDegree:
		return nil, fmt.Errorf("correction: Options.Degree = %d: must be from 1 to %d", o.Degree, MaxDegree)
	case o.Folds < 2 || o.Folds > len(stations):
		return nil, fmt.Errorf("correction: Options.Folds = %d, with %d stations: must be from 2 to their number", o.Folds, len(stations))
	case emitters < 1:
		return nil, fmt.Errorf("correction: %d emitters: need one", emitters)
	}
	m := newMap(stations, emitters, o.Degree)
	p := &problem{per: Terms(o.Degree), emitters: emitters, n: emitters * Terms(o.Degree), fold: make([]equations, o.Folds), size: make([]float64, emitters)}
	if err := p.gather(m, stations); err != nil {
		return nil, err
	}
	best := math.Inf(1)
	for _, f := range falloffs {
		for _, r := range relatives {
			s := Smoothness{f, r}
			if v, err := p.validate(s); err == nil && v < best {
				best, m.Smoothness = v, s
			}
		}
	}
	m.Before, m.After = p.all.yy/float64(p.all.count), best/float64(p.all.count)
	if !(best < p.all.yy) {
		return nil, ErrNothing
	}
	return m, p.solve(m)
}

// gather whitens the residuals of every station and adds them up.
func (p *problem) gather(m *Map, stations []Station) error {
	blank := func() equations { return equations{a: make([]float64, p.n*p.n), g: make([]float64, p.n)} }
	p.all = blank()
	for k := range p.fold {
		p.fold[k] = blank()
	}
	count := make([]int, p.emitters)
	for s := range stations {
		if err := p.station(m, &stations[s], &p.fold[s%len(p.fold)], count); err != nil {
			return fmt.Errorf("correction: station %d: %w", s, err)
		}
	}
	for k := range p.fold {
		f := &p.fold[k]
		for i, v := range f.a {
			p.all.a[i] += v
		}
		for i, v := range f.g {
			p.all.g[i] += v
		}
		p.all.yy += f.yy
		p.all.count += f.count
	}
	for e, n := range count {
		p.size[e] = math.Sqrt(p.size[e] / float64(max(1, n)))
	}
	return nil
}

// station whitens by the factor of diag(Variance) + Σ Common·Commonᵀ.
func (p *problem) station(m *Map, st *Station, eq *equations, count []int) error {
	coils := len(st.Pickups)
	if len(st.Residual) != p.emitters*coils || len(st.Variance) != len(st.Residual) || st.Common != nil && len(st.Common) != len(st.Residual) {
		return fmt.Errorf("%d residuals, %d variances, %d shared errors for %d emitters and %d coils", len(st.Residual), len(st.Variance), len(st.Common), p.emitters, coils)
	}
	reads := m.reads(st.Pickups)
	var rows []int
	for i, v := range st.Variance {
		if math.IsInf(v, 1) {
			continue
		}
		if !(v > 0) || math.IsNaN(st.Residual[i]) || math.IsInf(st.Residual[i], 0) {
			return fmt.Errorf("residual %d = %g with variance %g: must be finite with a positive variance", i, st.Residual[i], v)
		}
		rows = append(rows, i)
		area := 0.0
		for _, pt := range st.Pickups[i%coils] {
			area += r3.Norm(pt.Along)
		}
		p.size[i/coils] += st.Residual[i] * st.Residual[i] / (area * area)
		count[i/coils]++
	}
	k := len(rows)
	cov := mat.NewSymDense(max(1, k), nil)
	x, y := mat.NewDense(max(1, k), p.n, nil), mat.NewDense(max(1, k), 1, nil)
	for r, i := range rows {
		for q := r; q < k; q++ {
			v := 0.0
			if st.Common != nil {
				for d := range 6 {
					v += st.Common[i][d] * st.Common[rows[q]][d]
				}
			}
			if q == r {
				v += st.Variance[i]
			}
			cov.SetSym(r, q, v)
		}
		e, c := i/coils, i%coils
		copy(x.RawRowView(r)[e*p.per:(e+1)*p.per], reads[c*p.per:(c+1)*p.per])
		y.Set(r, 0, st.Residual[i])
	}
	if k == 0 {
		return nil
	}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		return errors.New("the covariance of the residuals is not positive definite")
	}
	var l mat.TriDense
	chol.LTo(&l)
	var wx, wy mat.Dense
	if err := wx.Solve(&l, x); err != nil {
		return err
	}
	if err := wy.Solve(&l, y); err != nil {
		return err
	}
	a, g := mat.NewDense(p.n, p.n, nil), mat.NewDense(p.n, 1, nil)
	a.Mul(wx.T(), &wx)
	g.Mul(wx.T(), &wy)
	for i, v := range a.RawMatrix().Data {
		eq.a[i] += v
	}
	for i, v := range g.RawMatrix().Data {
		eq.g[i] += v
	}
	for _, v := range wy.RawMatrix().Data {
		eq.yy += v * v
	}
	eq.count += k
	return nil
}

// factor returns the Cholesky factor of the equations, less those of a fold if
// any, with the prior.
func (p *problem) factor(s Smoothness, without *equations) (mat.Cholesky, *mat.VecDense, error) {
	a, g := mat.NewSymDense(p.n, nil), mat.NewVecDense(p.n, nil)
	for i := range p.n {
		for k := i; k < p.n; k++ {
			v := p.all.a[i*p.n+k]
			if without != nil {
				v -= without.a[i*p.n+k]
			}
			a.SetSym(i, k, v)
		}
		v := p.all.g[i]
		if without != nil {
			v -= without.g[i]
		}
		g.SetVec(i, v)
	}
	for e := range p.emitters {
		k := e * p.per
		for l := 1; Terms(l) <= p.per; l++ {
			sigma := s.Relative * p.size[e] * math.Pow(s.Falloff, float64(l-1))
			if sigma == 0 {
				sigma = math.SmallestNonzeroFloat32
			}
			for range 2*l + 1 {
				a.SetSym(k, k, a.At(k, k)+1/(sigma*sigma))
				k++
			}
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(a) {
		return chol, nil, errors.New("correction: the normal equations are not positive definite")
	}
	return chol, g, nil
}

// validate is the sum of squares of the whitened residuals of every fold, with
// the correction that the others give.
func (p *problem) validate(s Smoothness) (float64, error) {
	sum := 0.0
	c, ac := mat.NewVecDense(p.n, nil), mat.NewVecDense(p.n, nil)
	for k := range p.fold {
		f := &p.fold[k]
		chol, g, err := p.factor(s, f)
		if err != nil {
			return 0, err
		}
		if err := chol.SolveVecTo(c, g); err != nil {
			return 0, err
		}
		ac.MulVec(mat.NewDense(p.n, p.n, f.a), c)
		sum += f.yy + mat.Dot(c, ac)
		for i, v := range f.g {
			sum -= 2 * v * c.AtVec(i)
		}
	}
	return sum, nil
}

// solve fills in the coefficients and their covariance, emitter by emitter. What
// the held-out residuals exceed their sigmas by widens the covariance.
func (p *problem) solve(m *Map) error {
	chol, g, err := p.factor(m.Smoothness, nil)
	if err != nil {
		return err
	}
	c := mat.NewVecDense(p.n, nil)
	if err := chol.SolveVecTo(c, g); err != nil {
		return err
	}
	var u mat.TriDense
	chol.UTo(&u)
	inverse, ok := lapack64.Potri(u.RawTriangular())
	if !ok {
		return errors.New("correction: covariance of the coefficients")
	}
	excess := max(1, m.After)
	for e := range p.emitters {
		em := &m.Emitters[e]
		copy(em.Coefficients, c.RawVector().Data[e*p.per:])
		em.Covariance = em.Covariance[:0]
		for i := range p.per {
			for k := i; k < p.per; k++ {
				em.Covariance = append(em.Covariance, excess*inverse.Data[(e*p.per+i)*inverse.Stride+e*p.per+k])
			}
		}
	}
	return nil
}
