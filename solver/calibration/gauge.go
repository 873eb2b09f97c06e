package calibration

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/lapack"
	"gonum.org/v1/gonum/lapack/lapack64"
)

// Gauge is a freedom that the couplings, references and known lengths leave: a
// way to move the parameters together that no residual notices.
type Gauge struct {
	// Words names it, such as "all strengths against all sensitivities".
	Words string
	// Default: no stated tolerance held it, so tolerances of a usual size were
	// given to the parameters that take part. What it moves is then known to no
	// more than that.
	Default bool
	// Direction is the move, one number per parameter, each in units of the
	// parameter's tolerance (of a usual size where none is stated), the largest
	// ±1.
	Direction []float64
}

// errLinearAlgebra reports that a factorisation failed on finite numbers.
var errLinearAlgebra = errors.New("calibration: factorisation failed")

// nullLimit is the share of its information that a direction keeps when the
// poses are eliminated, below which it counts as not observable: rounding
// leaves some 1e-14, a sigma 1e5 times that of known poses makes 1e-10.
const nullLimit = 1e-10

// nullSpace finds the directions that the data leave free at the linearised point,
// as orthonormal columns of parameters times scale.
func (f *fit) nullSpace() (columns [][]float64, scale []float64, err error) {
	n := f.normal.n
	scale = make([]float64, n)
	a := make([]float64, n*n)
	copy(a, f.normal.a)
	f.lengths(f.addTo(a, make([]float64, n)))
	for i := range n {
		scale[i] = math.Sqrt(a[i*n+i])
		if scale[i] == 0 {
			scale[i] = 1 // never seen: its row of S is zero
		}
	}
	s := symmetric(n, slices.Clone(f.reduced.bareS))
	for i := range n {
		for k := i; k < n; k++ {
			s.Data[i*n+k] /= scale[i] * scale[k]
		}
	}
	if n == 0 {
		return nil, scale, nil
	}
	// A pivoted Cholesky factor is the cheap test; only a suspicion pays for
	// eigenvalues. Its smallest pivot bounds the smallest eigenvalue from above.
	copy(a, s.Data)
	trial := s
	trial.Data = a
	if _, rank, _ := lapack64.Pstrf(trial, make([]int, n), 100*nullLimit, make([]float64, 2*n)); rank == n {
		return nil, scale, nil
	}
	values, work := make([]float64, n), make([]float64, 1)
	lapack64.Syev(lapack.EVCompute, s, values, work, -1)
	work = make([]float64, int(work[0]))
	if !lapack64.Syev(lapack.EVCompute, s, values, work, len(work)) {
		return nil, nil, fmt.Errorf("%w: eigenvalues of the %d shared parameters", errLinearAlgebra, n)
	}
	for c, v := range values {
		if v > nullLimit {
			break
		}
		column := make([]float64, n)
		for i := range column {
			column[i] = s.Data[i*n+c]
		}
		columns = append(columns, column)
	}
	return columns, scale, nil
}

// holdGauges names the gauge freedoms and, where stated tolerances do not hold
// them all, gives tolerances of a usual size to the parameters that take part.
func (f *fit) holdGauges() ([]Gauge, error) {
	null, scale, err := f.nullSpace()
	if err != nil {
		return nil, err
	}
	if len(null) == 0 {
		return f.holdWeak(nil)
	}
	held := f.held(null, scale)
	gauges := f.name(null, scale)
	for i := range gauges {
		gauges[i].Default = !held
	}
	if !held {
		for i := range f.prior {
			share := 0.0
			for _, u := range null {
				share += u[i] * u[i]
			}
			if share > 1e-6 && f.prior[i] == 0 {
				f.prior[i] = f.layout.columns[i].size
				f.assumed[i] = true
			}
		}
	}
	return f.holdWeak(gauges)
}

// holdWeak gives a tolerance of a usual size to parameters without a stated one
// that the data fix to no better than that, the worst first: such as the rotation of
// a coil about its own axis when it is nearly, not quite, round. Unheld they
// would run off to where the linearised equations mean nothing.
func (f *fit) holdWeak(gauges []Gauge) ([]Gauge, error) {
	n := f.normal.n
	for range n {
		f.reduce(0)
		cov, err := invert(n, slices.Clone(f.reduced.s))
		if err != nil {
			return gauges, nil // the descent damps, and the result says so
		}
		worst, most := -1, 1.0
		for i := range n {
			if v := math.Sqrt(cov.At(i, i)) / f.size(i); f.prior[i] == 0 && v > most {
				worst, most = i, v
			}
		}
		if worst < 0 {
			break
		}
		f.prior[worst], f.assumed[worst] = f.size(worst), true
		known := slices.IndexFunc(gauges, func(g Gauge) bool { return math.Abs(g.Direction[worst]) == 1 })
		if known >= 0 { // its tolerances, stated for other parameters, did not hold it
			gauges[known].Default = true
			continue
		}
		d := make([]float64, n)
		d[worst] = 1
		gauges = append(gauges, Gauge{Words: f.layout.columns[worst].name + " alone: hardly observable", Default: true, Direction: d})
	}
	return gauges, nil
}

// held reports whether the tolerances make the free directions observable.
func (f *fit) held(null [][]float64, scale []float64) bool {
	g := len(null)
	p := make([]float64, g*g)
	most := 0.0
	for i := range g {
		for k := i; k < g; k++ {
			for c, s := range f.prior {
				if s > 0 {
					v := s * scale[c]
					p[i*g+k] += null[i][c] * null[k][c] / (v * v)
				}
			}
		}
		most = max(most, p[i*g+i])
	}
	if most == 0 {
		return false
	}
	_, rank, _ := lapack64.Pstrf(symmetric(g, p), make([]int, g), 1e-10*most, make([]float64, 2*g))
	return rank == g
}

// name describes the free directions: first the freedoms that this kind of
// bench can have, as far as they lie in what is free, then what is left by its
// largest parts.
func (f *fit) name(null [][]float64, scale []float64) []Gauge {
	var out []Gauge
	var named [][]float64 // orthonormal, in scaled parameters
	for _, c := range f.candidates() {
		u := floats.MulTo(make([]float64, len(scale)), c.Direction, scale)
		if !normalise(u) {
			continue
		}
		share := 0.0
		for _, v := range null {
			share += floats.Dot(v, u) * floats.Dot(v, u)
		}
		if share < 0.999 || !straighten(u, named) {
			continue
		}
		named = append(named, u)
		out = append(out, Gauge{Words: c.Words, Direction: f.inTolerances(c.Direction)})
	}
	for _, u := range null {
		if len(named) == len(null) {
			break
		}
		u = slices.Clone(u)
		if !straighten(u, named) {
			continue
		}
		named = append(named, u)
		d := f.inTolerances(floats.DivTo(make([]float64, len(scale)), u, scale))
		out = append(out, Gauge{Words: f.describe(d), Direction: d})
	}
	return out
}

// straighten takes the part of the unit vector u along the orthonormal ones out
// of it. It reports false when less than a tenth of it is new.
func straighten(u []float64, others [][]float64) bool {
	for range 2 { // twice is enough
		for _, d := range others {
			floats.AddScaled(u, -floats.Dot(d, u), d)
		}
		if floats.Dot(u, u) < 0.01 {
			return false
		}
		normalise(u)
	}
	return true
}

// describe lists the largest parts of a direction.
func (f *fit) describe(d []float64) string {
	var large []int
	for i, v := range d {
		if math.Abs(v) >= 0.3 {
			large = append(large, i)
		}
	}
	slices.SortFunc(large, func(a, b int) int { return cmp.Compare(math.Abs(d[b]), math.Abs(d[a])) })
	var words []string
	for _, i := range large {
		words = append(words, f.layout.columns[i].name)
	}
	if len(words) == 1 {
		return words[0] + " alone"
	}
	if len(words) > 4 {
		words = append(words[:4], "others")
	}
	return strings.Join(words, " with ")
}

// inTolerances brings a direction to units of tolerances, the largest part 1.
func (f *fit) inTolerances(d []float64) []float64 {
	out := slices.Clone(d)
	most := 0.0
	for i, v := range d {
		most = max(most, math.Abs(v)/f.size(i))
	}
	for i := range out {
		out[i] /= most * f.size(i)
	}
	return out
}

// size is a column's stated tolerance, else one of a usual size.
func (f *fit) size(i int) float64 {
	if c := &f.layout.columns[i]; c.prior == 0 {
		return c.size
	}
	return f.layout.columns[i].prior
}

func normalise(u []float64) bool {
	norm := floats.Norm(u, 2)
	if norm == 0 {
		return false
	}
	floats.Scale(1/norm, u)
	return true
}
