package calibration

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// emitterCovariance is the covariance for fieldmodels.Array: seven numbers per
// emitter. Where emitters and other parameters share a gauge freedom, it is
// taken in the gauge in which the others stay as found (an S-transformation:
// Baarda, S-transformations and criterion matrices, Netherlands Geodetic
// Commission, 1973), because the others go along as exact values.
func (r *Result) emitterCovariance() (*mat.SymDense, error) {
	f := r.fit
	if f.normal.n == 0 || f.options.Free&(EmitterPosition|EmitterAxis|EmitterStrength) == 0 {
		return nil, nil
	}
	return r.covarianceOf(f.emitterParts())
}

// covarianceOf is the covariance of the seven numbers of each part.
func (r *Result) covarianceOf(parts []part) (*mat.SymDense, error) {
	t, err := r.othersKept()
	if err != nil {
		return nil, err
	}
	var m mat.Dense
	m.Mul(r.moves(parts), t)
	return rigid.Propagate(&m, r.joint()), nil
}

// joint is the covariance of the columns that holds most.
func (r *Result) joint() *mat.SymDense {
	if r.wider != nil {
		return r.wider
	}
	return r.inner
}

// part is an emitter or a coil as its columns move it.
type part struct {
	place, axis int      // first columns; −1: not free
	basis       []r3.Vec // rotation per unit of each tilt
	center      r3.Vec
	factors     []int // columns of its strength or sensitivity; −1: not free
}

func (f *fit) emitterParts() (parts []part) {
	for i := range f.bench.emitters {
		e, c := &f.bench.emitters[i], &f.layout.emitters[i]
		parts = append(parts, part{c.place, c.axis, e.basis[:c.tilts], e.center, []int{c.strength}})
	}
	return parts
}

// coilParts are the coils of sensor s.
func (f *fit) coilParts(s int) (parts []part) {
	for i := range f.problem.Sensors[s].Coils {
		i += f.layout.first[s]
		c, l := &f.bench.coils[i], &f.layout.coils[i]
		parts = append(parts, part{l.place, l.axis, c.basis[:], c.center, []int{l.sensitivity, f.layout.channels[l.channel].gain}})
	}
	return parts
}

// moves is how the seven numbers of each part follow the columns, in the order of
// fieldmodels.ParametersPerEmitter and mutual.ParametersPerCoil.
func (r *Result) moves(parts []part) *mat.Dense {
	const per = fieldmodels.ParametersPerEmitter
	move := mat.NewDense(per*len(parts), r.fit.normal.n, nil)
	for i, p := range parts {
		for k, axis := range axes {
			if p.place >= 0 {
				move.Set(per*i+k, p.place+k, 1)
			}
			if p.axis >= 0 {
				for t, b := range p.basis {
					move.Set(per*i+3+k, p.axis+t, r3.Dot(axis, b))
				}
			}
		}
		for _, at := range p.factors {
			if at >= 0 {
				move.Set(per*i+6, at, 1) // relative: of its logarithm
			}
		}
	}
	return move
}

// othersKept takes from a change of all parameters what moves along the gauge
// freedoms, so that those that are not of emitters change least.
func (r *Result) othersKept() (*mat.Dense, error) {
	f := r.fit
	weight := make([]float64, f.normal.n) // of keeping a parameter as it is
	for i := range weight {
		if f.layout.columns[i].group&(EmitterPosition|EmitterAxis|EmitterStrength) == 0 {
			weight[i] = 1 / (f.size(i) * f.size(i))
		}
	}
	free, err := r.freeDirections()
	if err != nil {
		return nil, err
	}
	return keep(free, weight), nil
}

// SensorCovariance is the covariance of the coils of sensor s, in the order of
// mutual.ParametersPerCoil, in the gauge of Array's; nil when none of them was
// free. Channel gains count as sensitivity.
func (r *Result) SensorCovariance(s int) (*mat.SymDense, error) {
	if r.fit.options.Free&(CoilAxis|CoilPosition|CoilSensitivity|ChannelGain) == 0 {
		return nil, nil
	}
	return r.covarianceOf(r.fit.coilParts(s))
}

// freeDirections are the gauge freedoms at the solution, in plain units.
func (r *Result) freeDirections() ([][]float64, error) {
	if len(r.Gauges) == 0 {
		return nil, nil
	}
	null, scale, err := r.fit.nullSpace()
	for _, u := range null {
		for i := range u {
			u[i] /= scale[i]
		}
	}
	return null, err
}

// keep returns I − G·(GᵀWG)⁺·GᵀW: it takes from a change of the parameters what
// moves along the free directions G, so that the weighted ones change least.
func keep(free [][]float64, weight []float64) *mat.Dense {
	n, g := len(weight), len(free)
	t := mat.NewDense(n, n, nil)
	for i := range n {
		t.Set(i, i, 1)
	}
	if g == 0 {
		return t
	}
	gm, wg := mat.NewDense(n, g, nil), mat.NewDense(n, g, nil)
	for k, u := range free {
		for i, v := range u {
			gm.Set(i, k, v)
			wg.Set(i, k, weight[i]*v)
		}
	}
	var gwg mat.Dense
	gwg.Mul(gm.T(), wg)
	var svd mat.SVD
	if !svd.Factorize(&gwg, mat.SVDThin) {
		return t
	}
	rank := svd.Rank(1e-10)
	if rank == 0 {
		return t
	}
	var solved, taken mat.Dense
	svd.SolveTo(&solved, wg.T(), rank)
	taken.Mul(gm, &solved)
	t.Sub(t, &taken)
	return t
}

// Correlation returns the correlation matrix of the parameters.
func (r *Result) Correlation() *mat.SymDense {
	n := r.Covariance.SymmetricDim()
	c := mat.NewSymDense(n, nil)
	for i := range n {
		for k := i; k < n; k++ {
			c.SetSym(i, k, r.Covariance.At(i, k)/math.Sqrt(r.Covariance.At(i, i)*r.Covariance.At(k, k)))
		}
	}
	return c
}
