package calibration

import (
	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"

	"tonepose/fieldmodels/rigid"
)

// batch is how many stations are eliminated at a time: enough for long inner
// products, few enough for the cache.
const batch = 32

// reduced holds the shared parameters' equations once the stations are
// eliminated: S = A − Σ B·C⁻¹·Bᵀ.
type reduced struct {
	n     int
	s     []float64 // n × n, upper triangle; its Cholesky factor once solved
	g     []float64
	w     []float64 // n × 6·batch: rows of L⁻¹·Bᵀ, side by side
	y     []float64 // 6·batch: L⁻¹·g of the stations
	own   []rigid.Factor
	step  []float64 // shared parameters
	steps [][6]float64
	damp  []float64 // μ times the shared diagonal

	// bareS and bareG are S and g of the linearised point without tolerances
	// and damping.
	bareS, bareG []float64
}

func newReduced(n, stations int) *reduced {
	return &reduced{
		n: n, s: make([]float64, n*n), g: make([]float64, n),
		w: make([]float64, n*6*batch), y: make([]float64, 6*batch),
		own: make([]rigid.Factor, stations), step: make([]float64, n), steps: make([][6]float64, stations),
		damp: make([]float64, n), bareS: make([]float64, n*n), bareG: make([]float64, n),
	}
}

// symmetric is the n × n matrix whose upper triangle is in data.
func symmetric(n int, data []float64) blas64.Symmetric {
	return blas64.Symmetric{N: n, Stride: max(1, n), Data: data, Uplo: blas.Upper}
}

// reduce fills S and g of the linearised point: tolerances added, and all
// diagonals, the stations' too, raised by the factor 1+mu.
func (f *fit) reduce(mu float64) {
	r, n := f.reduced, f.normal.n
	clear(r.damp)
	if mu == 0 {
		copy(r.s, r.bareS)
		copy(r.g, r.bareG)
		f.tolerances(f.addTo(r.s, r.g))
		return
	}
	copy(r.s, f.normal.a)
	copy(r.g, f.normal.g)
	f.known(f.addTo(r.s, r.g))
	for i := range n {
		r.damp[i] = mu * r.s[i*n+i]
		r.s[i*n+i] += r.damp[i]
	}
	for s := 0; s < len(f.poses); s += batch {
		f.eliminate(r.s, r.g, s, min(s+batch, len(f.poses)), mu)
	}
}

// eliminate takes the stations from first up to, not including, last out of the
// shared equations s and g.
func (f *fit) eliminate(shared, g []float64, first, last int, mu float64) {
	r, n := f.reduced, f.normal.n
	const stride = 6 * batch
	for s := first; s < last; s++ {
		l := &r.own[s]
		l.Decompose(&f.normal.blocks[s].c, mu)
		at := 6 * (s - first)
		y := f.normal.blocks[s].g
		l.Forward(&y)
		copy(r.y[at:], y[:])
		mixed := f.normal.mixed[6*n*s : 6*n*(s+1)]
		for i := range n {
			b := *(*[6]float64)(mixed[6*i:])
			l.Forward(&b)
			*(*[6]float64)(r.w[i*stride+at:]) = b
		}
	}
	if n == 0 {
		return
	}
	w := blas64.General{Rows: n, Cols: 6 * (last - first), Stride: stride, Data: r.w}
	blas64.Syrk(blas.NoTrans, -1, w, 1, symmetric(n, shared))
	blas64.Gemv(blas.NoTrans, -1, w, blas64.Vector{N: w.Cols, Inc: 1, Data: r.y}, 1, blas64.Vector{N: n, Inc: 1, Data: g})
}

// solve finds the step of all parameters and returns the fall of the cost that
// the equations promise; false when they are not positive definite.
func (f *fit) solve(mu float64) (fall float64, ok bool) {
	r, n := f.reduced, f.normal.n
	clear(r.step)
	if n > 0 && !f.frozen {
		t, ok := lapack64.Potrf(symmetric(n, r.s))
		if !ok {
			return 0, false
		}
		for i, g := range r.g {
			r.step[i] = -g
		}
		v := blas64.Vector{N: n, Inc: 1, Data: r.step}
		blas64.Trsv(blas.Trans, t, v)
		blas64.Trsv(blas.NoTrans, t, v)
	}
	slope, stiff := 0.0, 0.0
	for i, d := range r.step {
		g := f.normal.g[i]
		slope += g * d
		stiff += r.damp[i] * d * d
	}
	slope += f.priorSlope(r.step)
	for s := range f.poses {
		b := &f.normal.blocks[s]
		d := b.g
		mixed := f.normal.mixed[6*n*s : 6*n*(s+1)]
		for i, x := range r.step {
			m := (*[6]float64)(mixed[6*i:])
			for k := range d {
				d[k] += m[k] * x
			}
		}
		r.own[s].Solve(&d)
		for k := range d {
			d[k] = -d[k]
			slope += b.g[k] * d[k]
			stiff += mu * b.c[k][k] * d[k] * d[k]
		}
		r.steps[s] = d
	}
	return (stiff - slope) / 2, true
}

// advance moves all parameters by the step.
func (f *fit) advance() {
	for i, d := range f.reduced.step {
		f.x[i] += d
	}
	for s := range f.poses {
		f.poses[s] = plus(f.poses[s], &f.reduced.steps[s])
	}
}

func plus(p rigid.Pose, step *[6]float64) rigid.Pose {
	return p.Plus(vecAt(step[:], 0), vecAt(step[:], 3))
}
