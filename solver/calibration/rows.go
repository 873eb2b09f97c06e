package calibration

import (
	"slices"

	"gonum.org/v1/gonum/mat"

	"tonepose/fieldmodels/correction"
)

// Row is one residual of an adjustment at its solution, predicted less observed
// in sigmas, with its derivatives. Residuals of couplings whose phase is free
// come in pairs, real and imaginary part.
type Row struct {
	Station int // −1: a tolerance or a known length
	// Columns are those of Parameters, By the derivatives by the internal parameters
	// of these.
	correction.Row
}

// tap keeps the rows while the equations are made.
type tap struct {
	rows                   []Row
	plain                  []float64 // residual of each without the loss
	input                  []Input   // of each
	now                    Input
	station, emitter, coil int
	gain                   float64 // of the coupling's part that is at hand
}

func (t *tap) take(columns []int, v []float64, by *[6]float64, plain, r, weight float64) {
	n := public(columns, v, t.station, r)
	n.Emitter, n.Pickup, n.ByPose = t.emitter, t.coil, *by
	if t.coil >= 0 {
		n.ByCoupling = weight * t.gain
	}
	t.rows, t.plain, t.input = append(t.rows, n), append(t.plain, plain), append(t.input, t.now)
}

func public(columns []int, v []float64, station int, residual float64) Row {
	return Row{station, correction.Row{Emitter: -1, Pickup: -1, Residual: residual,
		Columns: slices.Clone(columns), By: slices.Clone(v)}}
}

// Rows linearises the adjustment at its solution. The normal equations of all
// rows are those that gave the result; a loss is in them as weights. Where couplings
// share the noise of a reference (Couplings.Common) a row is of all that share it, and
// ByCoupling says nothing.
func (r *Result) Rows() []Row {
	f := r.fit
	f.tap = &tap{}
	f.linearise()
	f.reduce(0)
	rows := f.tap.rows
	f.tap = nil
	f.known(func(rw *row, r float64) { rows = append(rows, public(rw.at[:rw.n], rw.v[:rw.n], -1, r)) })
	return rows
}

// SetCovariance replaces the covariance of the internal parameters of the
// columns by one that allows for more than the adjustment did: in Covariance, the
// parameters' sigmas and the covariances of array and sensors. What stations
// say of the parameters (Stations, Suggest) stays that of the adjustment.
func (r *Result) SetCovariance(inner *mat.SymDense) {
	r.wider = inner
	r.express(inner)
}

// Moves says how the parameters of fieldmodels.Array (seven an emitter), followed
// by those of the coils of every sensor (seven a coil), move with the internal
// parameters of the columns, in the gauge of Array's covariance.
func (r *Result) Moves() (*mat.Dense, error) {
	t, err := r.othersKept()
	if err != nil {
		return nil, err
	}
	parts := []*mat.Dense{r.moves(r.fit.emitterParts())}
	rows, n := parts[0].RawMatrix().Rows, r.fit.normal.n
	for s := range r.fit.problem.Sensors {
		m := r.moves(r.fit.coilParts(s))
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
