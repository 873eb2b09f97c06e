package calibration

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Row is one residual of an adjustment at its solution, predicted less observed
// in sigmas, with its derivatives. Residuals of couplings whose phase is free
// come in pairs, real and imaginary part.
type Row struct {
	Station       int // −1: a tolerance or a known length
	Emitter, Coil int // of a coupling, the coil within its sensor; −1: of none
	Residual      float64
	ByCoupling    float64    // by the modelled coupling, gain and phase aside [1/H]
	Columns       []int      // of Parameters
	By            []float64  // by the internal parameters of these columns
	ByPose        [6]float64 // by place [1/m] and turn [1/rad] of the station's sensor
}

// tap keeps the rows while the equations are made.
type tap struct {
	rows                   []Row
	station, emitter, coil int
	gain                   float64 // of the coupling's part that is at hand
}

func (t *tap) take(rw *row, by *[6]float64, r, weight float64) {
	n := Row{Station: t.station, Emitter: t.emitter, Coil: t.coil, Residual: r, ByPose: *by,
		Columns: append([]int(nil), rw.at[:rw.n]...), By: append([]float64(nil), rw.v[:rw.n]...)}
	if t.coil >= 0 {
		n.ByCoupling = weight * t.gain
	}
	t.rows = append(t.rows, n)
}

// Rows linearises the adjustment at its solution. The normal equations of all
// rows are those that gave the result; a loss is in them as weights.
func (r *Result) Rows() []Row {
	f := r.fit
	f.tap = &tap{}
	f.linearise()
	f.reduce(0)
	rows := f.tap.rows
	f.tap = nil
	for i, s := range f.prior {
		if s > 0 {
			d, slope := f.layout.columns[i].change(f.x[i])
			rows = append(rows, Row{Station: -1, Emitter: -1, Coil: -1, Residual: d / s, Columns: []int{i}, By: []float64{slope / s}})
		}
	}
	for i := range f.problem.Lengths {
		l := &f.problem.Lengths[i]
		residual, d := f.length(i)
		rw := Row{Station: -1, Emitter: -1, Coil: -1, Residual: residual}
		for _, end := range []struct {
			emitter int
			sign    float64
		}{{l.A, -1}, {l.B, 1}} {
			if at := f.layout.emitters[end.emitter].place; at >= 0 {
				rw.Columns = append(rw.Columns, at, at+1, at+2)
				rw.By = append(rw.By, end.sign*d.X, end.sign*d.Y, end.sign*d.Z)
			}
		}
		rows = append(rows, rw)
	}
	return rows
}

// SetCovariance replaces the covariance of the internal parameters of the
// columns by one that knows of more than the adjustment did: in Covariance, the
// parameters' sigmas and the covariances of array and sensors. What stations
// say of the parameters (Stations, Suggest) stays that of the adjustment.
func (r *Result) SetCovariance(inner *mat.SymDense) {
	r.wider = inner
	for i := range r.Parameters {
		_, si := r.fit.layout.columns[i].change(r.fit.x[i])
		r.Parameters[i].Sigma = si * math.Sqrt(inner.At(i, i))
		for k := i; k < len(r.Parameters); k++ {
			_, sk := r.fit.layout.columns[k].change(r.fit.x[k])
			r.Covariance.SetSym(i, k, si*sk*inner.At(i, k))
		}
	}
}

// Moves says how the parameters of fieldmodels.Array (seven an emitter), followed
// by those of the coils of every sensor (seven a coil), move with the internal
// parameters of the columns, in the gauge of Array's covariance.
func (r *Result) Moves() (*mat.Dense, error) {
	t, err := r.othersKept()
	if err != nil {
		return nil, err
	}
	parts := []*mat.Dense{r.emitterMoves()}
	rows, n := parts[0].RawMatrix().Rows, r.fit.normal.n
	for s := range r.fit.problem.Sensors {
		m := r.sensorMoves(s)
		parts = append(parts, m)
		rows += m.RawMatrix().Rows
	}
	all, at := mat.NewDense(rows, n, nil), 0
	for _, m := range parts {
		k := m.RawMatrix().Rows
		all.Slice(at, at+k, 0, n).(*mat.Dense).Mul(m, t)
		at += k
	}
	return all, nil
}
