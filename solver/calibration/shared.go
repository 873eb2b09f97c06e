package calibration

import (
	"math"
	"slices"
)

// The couplings m of an emitter at a station have, in units of their own sigmas, the
// covariance 1 + κ·u·uᵀ, where u is along m and κ the variance of the relative error
// that they share (solver.Couplings.Common) times Σ m². Its inverse root is
// 1 − (1 − 1/√(1+κ))·u·uᵀ: residuals and derivatives have so much of what lies along u
// taken off, and are then independent.

// shareLimit is κ below which all errors count as independent: as in package solver,
// no sigma is then off by more than 2.5 %.
const shareLimit = 0.05

// pending is a residual of one coupling that waits for the others of its emitter,
// in units of its own sigma.
type pending struct {
	row       row
	by        [6]float64
	residual  float64
	share     float64 // of u
	imaginary int     // part: 0 or 1
	coil      int     // as of tap
	gain      float64
}

// weigh fills in weights and shares of the couplings of station s.
func (f *fit) weigh(s int) {
	c := &f.problem.Stations[s].Couplings
	data := f.data[f.offset[s]:]
	coils := len(c.Value) / len(f.problem.Emitters)
	for e := range f.problem.Emitters {
		square, taken := 0.0, 0.0 // Σ m² in own sigmas
		if len(c.Common) > 0 {
			for k := e * coils; k < (e+1)*coils; k++ {
				square += data[k].value * data[k].value / c.Own(k)
			}
			if kappa := c.Common[e] * square; kappa > shareLimit {
				taken = 1 - 1/math.Sqrt(1+kappa)
			}
		}
		f.taken = append(f.taken, taken)
		for k := e * coils; k < (e+1)*coils; k++ {
			d := &data[k]
			if d.weight = 1 / math.Sqrt(c.Variance[k]); taken > 0 { // 0 where missing
				d.weight = 1 / math.Sqrt(c.Own(k))
				d.share = d.value * d.weight / math.Sqrt(square)
			}
		}
	}
}

// coupling adds a residual of one coupling, or lets it wait.
func (f *fit) coupling(blk *block, mixed []float64, rw *row, by *[6]float64, r float64, obs *observed, imaginary int) {
	if obs.share == 0 {
		f.accumulate(blk, mixed, rw.at[:rw.n], rw.v[:rw.n], by, r, obs.weight)
		return
	}
	p := pending{row: *rw, by: *by, residual: r * obs.weight, share: obs.share, imaginary: imaginary}
	for i := range p.row.n {
		p.row.v[i] *= obs.weight
	}
	for i := range p.by {
		p.by[i] *= obs.weight
	}
	if f.tap != nil {
		p.coil, p.gain = f.tap.coil, f.tap.gain
	}
	f.waiting = append(f.waiting, p)
}

// takeShared adds the residuals that wait, with what they share taken off. Real and
// imaginary parts share each their own error of the current.
func (f *fit) takeShared(blk *block, mixed []float64, taken float64) {
	f.columns = f.columns[:0]
	for i := range f.waiting {
		f.columns = append(f.columns, f.waiting[i].row.at[:f.waiting[i].row.n]...)
	}
	slices.Sort(f.columns)
	columns := slices.Compact(f.columns)
	var residual [2]float64 // Σ u·x of residuals, derivatives by the pose and by the columns
	var by [2][6]float64
	along := &f.along
	clear(along[0])
	clear(along[1])
	for i := range f.waiting {
		p := &f.waiting[i]
		for k := range p.row.n {
			along[p.imaginary][p.row.at[k]] += p.share * p.row.v[k]
		}
		for k, v := range p.by {
			by[p.imaginary][k] += p.share * v
		}
		residual[p.imaginary] += p.share * p.residual
	}
	v := f.mixture[:len(columns)]
	for i := range f.waiting {
		p := &f.waiting[i]
		less, own := taken*p.share, 0
		for k, at := range columns {
			v[k] = -less * along[p.imaginary][at]
			if own < p.row.n && p.row.at[own] == at {
				v[k] += p.row.v[own]
				own++
			}
		}
		for k := range p.by {
			p.by[k] -= less * by[p.imaginary][k]
		}
		if f.tap != nil {
			f.tap.coil, f.tap.gain = p.coil, p.gain
		}
		f.accumulate(blk, mixed, columns, v, &p.by, p.residual-less*residual[p.imaginary], 1)
	}
	f.waiting = f.waiting[:0]
}
