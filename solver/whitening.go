package solver

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/solver/internal/kernel"
)

// whitening is a Solver's working memory for errors that couplings share: residuals
// and Jacobian are multiplied by the inverse of the Cholesky factor of their
// covariance Σ at the pose of the last reweighing, so that close to the array,
// where small errors of an emitter's position move its couplings by more than their
// noise, the stated uncertainty holds.
type whitening struct {
	active  bool
	drive   bool                  // the common errors of the emitters' currents matter
	errors  []float64             // of ErrorModel.Joint, n×n
	joined  bool                  // couplings of different emitters may have a covariance
	factor  []float64             // lower triangle of Σ's Cholesky factor, n×n row by row; 1/diagonal on it
	emitter [][parameters]float64 // derivatives by the parameters of its emitter, coupling by coupling
	coil    [][parameters]float64 // and of its coil
	spread  [][parameters]float64 // one row's derivatives times the covariance of its emitter with each other
	across  [][parameters]float64 // alike for its coil
	raw     []kernel.Datum        // the observation without weights
	logDet  float64               // of Σ over that of diag(variances)
}

// parameters of an emitter, and of a coil: position, tilt, strength or sensitivity.
const parameters = fieldmodels.ParametersPerEmitter

var _ = [1]struct{}{}[parameters-mutual.ParametersPerCoil] // as many of one as of the other

// arrangeErrors finds out whether errors join the couplings of different emitters.
func (g *rig) arrangeErrors() {
	g.joined = g.errors.Pickups != nil // couplings with one coil share its errors
	if c := g.errors.Emitters; c != nil {
		for i := range g.sources {
			for j := range i {
				g.joined = g.joined || related(c, i, j)
			}
		}
	}
}

// related tells whether a covariance joins the parameters of i and j.
func related(c *mat.SymDense, i, j int) bool {
	for m := range parameters * parameters {
		if c.At(i*parameters+m/parameters, j*parameters+m%parameters) != 0 {
			return true
		}
	}
	return false
}

func (w *whitening) init(g *rig) {
	n := len(g.sources) * len(g.pickups)
	w.factor = make([]float64, n*n)
	w.emitter, w.coil = make([][parameters]float64, n), make([][parameters]float64, n)
	w.spread, w.across = make([][parameters]float64, len(g.sources)), make([][parameters]float64, len(g.pickups))
	w.raw = make([]kernel.Datum, g.blocks*len(g.pickups))
}

// alone tells whether a descent may take every coupling by itself. The search of a
// cold start leaves to the end what costs most.
func (s *Solver) alone() bool {
	m := &s.rig.errors
	if s.searching {
		return m.Emitters == nil && m.Pickups == nil
	}
	return m.Exact() && !s.white.drive
}

// fit descends, with the errors that couplings share in the weights if there are
// any: the weights belong to a pose and the pose to the weights, so they are found alternately.
func (s *Solver) fit(st *state, damping float64, limit int) descent {
	if s.alone() {
		return s.descend(st, damping, limit)
	}
	defer s.plain()
	d := descent{status: NotConverged, chi2: math.Inf(1)} // where Σ has no value
	n := 0
	for range 8 {
		if !s.reweigh(st) {
			break
		}
		from := *st
		d = s.descend(st, damping, limit)
		d.logDet = s.white.logDet
		n += d.iterations
		damping = 0
		step, _ := st.since(&from)
		// A hundredth of a standard deviation changes the weights by less than
		// a share of it over the distance to the array.
		if d.status != Converged || quadratic(s.sum, &step) < 1e-4 {
			break
		}
	}
	d.iterations = n
	return d
}

// plain goes back to the observation's own variances.
func (s *Solver) plain() {
	if s.white.active {
		s.white.active = false
		s.data, s.white.raw = s.white.raw, s.data
	}
}

// reweigh computes Σ at st and its factor.
func (s *Solver) reweigh(st *state) bool {
	w, m := &s.white, s.rig.errors
	if s.searching {
		m.Joint = nil
	}
	if s.unweigh(st) != nil {
		return false
	}
	w.joined = m.Joint != nil || s.rig.joined
	return s.fill(w.factor, st, w.drive, &m) == nil && s.factorise()
}

// unweigh takes the weights off the observation and finds, at st, the derivatives
// of its couplings by the parameters of emitters and coils.
func (s *Solver) unweigh(st *state) error {
	w := &s.white
	if w.factor == nil {
		w.init(s.rig)
	}
	s.plain()
	for i := range s.data {
		w.raw[i][0] = s.data[i][0]
		for l, v := range s.data[i][1] {
			if v > 0 {
				v = 1
			}
			w.raw[i][1][l] = v
		}
	}
	s.data, w.raw, w.active, w.joined = w.raw, s.data, true, true
	if !s.fillRows(st) {
		return errNoField
	}
	coils := len(s.rig.pickups)
	for i := range s.variances {
		e, c := i/coils, i%coils
		k, l := s.rig.slot(i)
		r := &s.rows[k]
		coupling := mutual.Coupling{
			M:        r[6][l] + s.data[k][0][l],
			Position: r3.Vec{X: r[0][l], Y: r[1][l], Z: r[2][l]},
			Rotation: r3.Vec{X: r[3][l], Y: r[4][l], Z: r[5][l]},
		}
		w.emitter[i] = coupling.ByEmitter(r3.Sub(st.Origin, s.rig.problem.Array.Emitters[e].Center))
		w.coil[i] = coupling.ByCoil(&st.Frame, st.Out(s.rig.pickups[c].arm))
	}
	return nil
}

// factorise adds the noise of the observation to the Σ in factor and makes it the
// Cholesky factor, in place.
func (s *Solver) factorise() bool {
	w := &s.white
	n := len(s.variances)
	w.logDet = 0
	for i := range n {
		row := w.factor[i*n : (i+1)*n]
		from := s.firstColumn(i)
		if math.IsInf(s.variances[i], 1) {
			clear(row[from : i+1])
			continue
		}
		if w.drive {
			row[i] += s.seen.Own(i)
		} else {
			row[i] += s.variances[i]
		}
		for j := from; j <= i; j++ {
			v := row[j]
			other := w.factor[j*n : (j+1)*n]
			for k := from; k < j; k++ {
				v -= row[k] * other[k]
			}
			if j < i {
				row[j] = v * other[j] // other[j] is 0 for a missing coupling
				continue
			}
			if !(v > 0) {
				return false
			}
			w.logDet += math.Log(v / s.variances[i])
			row[i] = 1 / math.Sqrt(v)
		}
	}
	return true
}

// firstColumn is the first of row i of the factor that can differ from zero.
func (s *Solver) firstColumn(i int) int {
	if s.white.joined {
		return 0
	}
	coils := len(s.rig.pickups)
	return i / coils * coils
}

// prepare carries a row's derivatives through a model's covariances, as between
// needs them for columns from one on.
func (s *Solver) prepare(m *ErrorModel, i, from int) {
	w, coils := &s.white, len(s.rig.pickups)
	if m.Emitters != nil {
		for f := from / coils; f <= i/coils; f++ {
			product(&w.emitter[i], m.Emitters, i/coils, f, &w.spread[f])
		}
	}
	if m.Pickups != nil {
		for c := range coils {
			product(&w.coil[i], m.Pickups, i%coils, c, &w.across[c])
		}
	}
}

// product is t times the block of a covariance at row i and column j.
func product(t *[parameters]float64, c *mat.SymDense, i, j int, out *[parameters]float64) {
	for q := range out {
		v := 0.0
		for p := range t {
			v += t[p] * c.At(i*parameters+p, j*parameters+q)
		}
		out[q] = v
	}
}

// between is the covariance of the model's errors of two couplings, the row being
// prepared.
func (s *Solver) between(m *ErrorModel, i, j int) (v float64) {
	w, coils := &s.white, len(s.rig.pickups)
	if m.Emitters != nil {
		for q, d := range w.emitter[j] {
			v += w.spread[j/coils][q] * d
		}
	}
	if m.Pickups != nil {
		for q, d := range w.coil[j] {
			v += w.across[j%coils][q] * d
		}
	}
	if m.Drives != nil {
		v += m.Drives.At(i/coils, j/coils) * w.emitter[i][6] * w.emitter[j][6]
	}
	return v
}

// whiten multiplies the rows by the inverse of the factor.
func (s *Solver) whiten() {
	w := &s.white
	n := len(s.variances)
	for i := range n {
		at, li := s.rig.slot(i)
		ri := &s.rows[at]
		row := w.factor[i*n : (i+1)*n]
		var v [kernel.Columns]float64
		for k := range v {
			v[k] = ri[k][li]
		}
		for j := s.firstColumn(i); j < i; j++ {
			f := row[j]
			if f == 0 {
				continue
			}
			at, lj := s.rig.slot(j)
			rj := &s.rows[at]
			for k := range v {
				v[k] -= f * rj[k][lj]
			}
		}
		for k := range v {
			ri[k][li] = v[k] * row[i]
		}
	}
}
