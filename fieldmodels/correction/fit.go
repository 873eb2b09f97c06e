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
	// Variance of Residual [H²]: noise, and what an error of the place that was
	// told does to it; +Inf: missing.
	Variance []float64
}

// Options tunes Fit. The zero value of a field means its default.
type Options struct {
	Degree int // of the potentials; default: that of 2, 4 and 6 which predicts best
	Folds  int // of the cross-validation, station s in fold s mod Folds; default 5
}

// ErrNothing reports that no correction predicts stations left out better than
// none.
var ErrNothing = errors.New("correction: the residuals hold no smooth field that predicts other stations")

// Smoothness is what cross-validation chose: the prior of a coefficient of
// degree l is a normal one of sigma Amplitude·Falloff^(l−1). Such is the law of
// fields whose sources are spread over a sphere of Radius/Falloff.
type Smoothness struct {
	Degree   int
	Falloff  float64
	Relative float64 // Amplitude over the rms size of the emitter's residual field
}

var (
	falloffs  = []float64{0.3, 0.45, 0.6, 0.75, 0.9}
	relatives = []float64{0.3, 1, 3}
)

// equations are XᵀWX, XᵀWy and yᵀWy of one emitter's residuals, and their number.
type equations struct {
	a, g  []float64
	yy    float64
	count int
}

// problem is the equations of one emitter, of all stations and of each fold.
type problem struct {
	n    int
	all  equations
	fold []equations
	size float64 // rms residual field [T/A]
}

// Fit finds the correction of each of the emitters.
func Fit(stations []Station, emitters int, o Options) (*Map, error) {
	degrees := []int{o.Degree}
	if o.Degree == 0 {
		degrees, o.Degree = []int{2, 4, 6}, 6
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
	problems := make([]problem, emitters)
	for e := range problems {
		problems[e].init(Terms(o.Degree), o.Folds)
	}
	for s := range stations {
		if err := gather(problems, m, &stations[s], s%o.Folds); err != nil {
			return nil, fmt.Errorf("correction: station %d: %w", s, err)
		}
	}
	var before float64
	count := 0
	for e := range problems {
		problems[e].finish()
		before += problems[e].all.yy
		count += problems[e].all.count
	}
	best := math.Inf(1)
	for _, d := range degrees {
		for _, f := range falloffs {
			for _, r := range relatives {
				s, sum := Smoothness{d, f, r}, 0.0
				for e := range problems {
					sum += problems[e].validate(s)
				}
				if sum < best {
					best, m.Smoothness = sum, s
				}
			}
		}
	}
	if !(best < before) {
		return nil, ErrNothing
	}
	m.Before, m.After = before/float64(count), best/float64(count)
	for e := range problems {
		if err := problems[e].solve(m.Smoothness, &m.Emitters[e]); err != nil {
			return nil, err
		}
	}
	return m, nil
}

func (p *problem) init(terms, folds int) {
	p.n = terms
	blank := func() equations { return equations{a: make([]float64, terms*terms), g: make([]float64, terms)} }
	p.all = blank()
	for range folds {
		p.fold = append(p.fold, blank())
	}
}

// gather adds a station's residuals to the equations of every emitter.
func gather(problems []problem, m *Map, st *Station, fold int) error {
	coils := len(st.Pickups)
	if len(st.Residual) != len(problems)*coils || len(st.Variance) != len(st.Residual) {
		return fmt.Errorf("%d residuals with %d variances, for %d emitters and %d coils", len(st.Residual), len(st.Variance), len(problems), coils)
	}
	reads := m.reads(st.Pickups)
	for i, v := range st.Variance {
		if math.IsInf(v, 1) {
			continue
		}
		y := st.Residual[i]
		if !(v > 0) || math.IsNaN(y) || math.IsInf(y, 0) {
			return fmt.Errorf("residual %d = %g with variance %g: must be finite with a positive variance", i, y, v)
		}
		p := &problems[i/coils]
		eq, x := &p.fold[fold], reads[i%coils*p.n:(i%coils+1)*p.n]
		for r, xr := range x {
			row := eq.a[r*p.n : (r+1)*p.n]
			w := xr / v
			for c := r; c < p.n; c++ {
				row[c] += w * x[c]
			}
			eq.g[r] += w * y
		}
		eq.yy += y * y / v
		eq.count++
		area := 0.0
		for _, pt := range st.Pickups[i%coils] {
			area += r3.Norm(pt.Along)
		}
		p.size += y * y / (area * area)
	}
	return nil
}

// finish adds the folds up.
func (p *problem) finish() {
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
	p.size = math.Sqrt(p.size / float64(max(1, p.all.count)))
}

// factor returns the Cholesky factor of the equations of the leading degrees,
// less those of a fold if any, with the prior, and their right side.
func (p *problem) factor(s Smoothness, without *equations) (mat.Cholesky, *mat.VecDense, bool) {
	n := Terms(s.Degree)
	a, g := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		row, from := a.RawSymmetric().Data[i*n:(i+1)*n], p.all.a[i*p.n:i*p.n+n]
		copy(row[i:], from[i:])
		g.SetVec(i, p.all.g[i])
		if without != nil {
			for k, v := range without.a[i*p.n+i : i*p.n+n] {
				row[i+k] -= v
			}
			g.SetVec(i, p.all.g[i]-without.g[i])
		}
	}
	k := 0
	for l := range s.Degree {
		sigma := s.Relative * p.size * math.Pow(s.Falloff, float64(l))
		for range 2*l + 3 {
			a.SetSym(k, k, a.At(k, k)+1/(sigma*sigma))
			k++
		}
	}
	var chol mat.Cholesky
	ok := chol.Factorize(a)
	return chol, g, ok
}

// validate is the sum of squares of the residuals of every fold over their
// variances, with the correction that the other folds give.
func (p *problem) validate(s Smoothness) float64 {
	if p.size == 0 {
		return 0
	}
	sum := 0.0
	n := Terms(s.Degree)
	c, ac := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	for k := range p.fold {
		f := &p.fold[k]
		chol, g, ok := p.factor(s, f)
		if !ok || chol.SolveVecTo(c, g) != nil {
			return math.Inf(1)
		}
		ac.MulVec(mat.NewSymDense(p.n, f.a).SliceSym(0, n), c)
		sum += f.yy + mat.Dot(c, ac)
		for i, v := range f.g[:n] {
			sum -= 2 * v * c.AtVec(i)
		}
	}
	return sum
}

// solve fills in the coefficients and their covariance. What the held-out
// residuals of the emitter exceed their variances by widens it.
func (p *problem) solve(s Smoothness, e *Emitter) error {
	n := Terms(s.Degree)
	e.Coefficients, e.Covariance = make([]float64, n), make([]float64, n*(n+1)/2)
	if p.size == 0 {
		return nil
	}
	chol, g, ok := p.factor(s, nil)
	c := mat.NewVecDense(n, nil)
	if !ok || chol.SolveVecTo(c, g) != nil {
		return errors.New("correction: the normal equations are not positive definite")
	}
	copy(e.Coefficients, c.RawVector().Data)
	var u mat.TriDense
	chol.UTo(&u)
	inverse, ok := lapack64.Potri(u.RawTriangular())
	if !ok {
		return errors.New("correction: covariance of the coefficients")
	}
	excess, at := max(1, p.validate(s)/float64(p.all.count)), 0
	for i := range n {
		for k := i; k < n; k++ {
			e.Covariance[at] = excess * inverse.Data[i*inverse.Stride+k]
			at++
		}
	}
	return nil
}
