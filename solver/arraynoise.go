package solver

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/solver/internal/kernel"
)

// arrayNoise carries the covariances of the emitters' and the coils' parameters
// over to the couplings, so that close to the array, where small errors of an
// emitter's place move its couplings by more than their noise, the stated
// uncertainty stays honest. The covariance of all couplings is then
//
//	Σ = diag(variances) + S·Array.Covariance·Sᵀ + T·Sensor.Covariance·Tᵀ
//
// with S and T the derivatives of a coupling by the parameters of its emitter and
// its coil, at the pose of the last reweighing. Residuals and Jacobian are multiplied by the
// inverse of Σ's Cholesky factor. The errors of the array are the same from
// frame to frame: covariances so stated do not average out over time.
//
// Problem.Errors, where there are any, stand in for the last two terms.
type arrayNoise struct {
	errors     Errors
	covariance *mat.SymDense
	coils      *mat.SymDense // nil when they are exact
	plain      bool          // both are exact
	first      []int         // of a row of the factor, the first column that can differ from zero
	centers    []vec3
}

// whitening is a Solver's working memory for it.
type whitening struct {
	active bool
	whole  bool           // Σ is by Errors
	errors []float64      // their covariance, n×n
	zeros  []int          // a first column for each row of it
	factor []float64      // lower triangle of Σ's Cholesky factor, n×n row by row; 1/diagonal on it
	sens   [][7]float64   // S, coupling by coupling
	spread [][7]float64   // one row's S times the covariance of its emitter with each other
	coil   [][7]float64   // T, coupling by coupling
	across [][7]float64   // one row's T times the covariance of its coil with each other
	raw    []kernel.Datum // the observation without weights
	logDet float64        // of Σ over that of diag(variances)
}

func newArrayNoise(p *Problem) *arrayNoise {
	plain := p.Array.Covariance == nil && p.Sensor.Covariance == nil
	if plain && p.Errors == nil {
		return nil
	}
	const k = fieldmodels.ParametersPerEmitter
	a := &arrayNoise{errors: p.Errors, covariance: p.Array.Covariance, coils: p.Sensor.Covariance, plain: plain}
	if a.covariance == nil {
		a.covariance = mat.NewSymDense(k*len(p.Array.Emitters), nil)
	}
	coils := len(p.Sensor.Coils)
	for i, e := range p.Array.Emitters {
		a.centers = append(a.centers, fromR3(e.Center))
		first := i
		if a.coils != nil { // couplings with one coil share its errors
			first = 0
		}
		for j := range i {
			for m := range k * k {
				if a.covariance.At(i*k+m/k, j*k+m%k) != 0 {
					first = min(first, j)
				}
			}
		}
		for range coils {
			a.first = append(a.first, first*coils)
		}
	}
	return a
}

func (w *whitening) init(g *rig) {
	n := len(g.sources) * len(g.pickups)
	w.factor = make([]float64, n*n)
	w.sens = make([][7]float64, n)
	w.spread = make([][7]float64, len(g.sources))
	w.coil, w.across = make([][7]float64, n), make([][7]float64, len(g.pickups))
	w.raw = make([]kernel.Datum, g.blocks*len(g.pickups))
	if g.noise.errors != nil {
		w.errors, w.zeros = make([]float64, n*n), make([]int, n)
	}
}

// fit descends, with the array's own errors in the weights if there are any:
// the weights belong to a pose and the pose to the weights, so they take turns.
func (s *Solver) fit(st *state, damping float64, limit int) descent {
	if s.rig.noise == nil || s.rig.noise.plain && s.hasty {
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
		var step [6]float64
		for i := range 3 {
			step[i] = st.x[i] - from.x[i]
			// The turn, small by now: half the difference of the columns' cross
			// products.
			for c := range 3 {
				j, k := (i+1)%3, (i+2)%3
				step[3+i] += 0.5 * (from.r[3*j+c]*st.r[3*k+c] - from.r[3*k+c]*st.r[3*j+c])
			}
		}
		// A hundredth of a standard deviation changes the weights by less than
		// a share of it over the distance to the array.
		if d.status != Converged || quadratic(&s.sum, &step) < 1e-4 {
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
	w, a := &s.white, s.rig.noise
	coils := len(s.rig.pickups)
	n := len(s.variances)
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
	s.data, w.raw = w.raw, s.data
	w.active, w.whole = true, a.errors != nil && !s.hasty
	if w.whole {
		return a.errors.Covariance(w.errors, s.rig.poseOf(st)) == nil && s.factorise(w.zeros)
	}
	if !s.fillRows(st) {
		return false
	}
	for i := range n {
		e, c := i/coils, i%coils
		k, l := e/kernel.Lanes*coils+c, e%kernel.Lanes
		r := &s.rows[k]
		g := vec3{r[0][l], r[1][l], r[2][l]}
		d := vec3{st.x[0] - a.centers[e][0], st.x[1] - a.centers[e][1], st.x[2] - a.centers[e][2]}
		t := cross(&d, &g)
		// A shift of the source is one of the field point the other way; a tilt
		// about the centre turns the field and the point alike.
		m := r[6][l] + s.data[k][0][l]
		w.sens[i] = [7]float64{-g[0], -g[1], -g[2], -r[3][l] - t[0], -r[4][l] - t[1], -r[5][l] - t[2], m}
		if a.coils != nil {
			// A coil that turns about its own centre is the sensor turning about
			// the pivot and shifting back.
			arm := st.r.apply(&s.rig.pickups[c].arm)
			back := cross(&arm, &g)
			turn := vec3{r[3][l] - back[0], r[4][l] - back[1], r[5][l] - back[2]}
			g, turn = st.r.applyTransposed(&g), st.r.applyTransposed(&turn)
			w.coil[i] = [7]float64{g[0], g[1], g[2], turn[0], turn[1], turn[2], m}
		}
	}
	return s.factorise(a.first)
}

// factorise builds Σ row by row and its Cholesky factor in place.
func (s *Solver) factorise(first []int) bool {
	const k = fieldmodels.ParametersPerEmitter
	w, a := &s.white, s.rig.noise
	coils := len(s.rig.pickups)
	n := len(s.variances)
	w.logDet = 0
	for i := range n {
		row := w.factor[i*n : (i+1)*n]
		from := first[i]
		e := i / coils
		if math.IsInf(s.variances[i], 1) {
			clear(row[from:i])
			row[i] = 0
			continue
		}
		for f := from / coils; f <= e && !w.whole; f++ {
			for q := range k {
				v := 0.0
				for p := range k {
					v += w.sens[i][p] * a.covariance.At(e*k+p, f*k+q)
				}
				w.spread[f][q] = v
			}
		}
		if a.coils != nil && !w.whole {
			product(&w.coil[i], a.coils, i%coils, w.across)
		}
		for j := from; j <= i; j++ {
			v := w.error(i, j, coils, a.coils != nil)
			if i == j {
				v += s.variances[i]
			}
			other := w.factor[j*n : (j+1)*n]
			for m := max(from, first[j]); m < j; m++ {
				v -= row[m] * other[m]
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

// error is the covariance of two couplings but for the observation's own.
func (w *whitening) error(i, j, coils int, sensor bool) float64 {
	if w.whole {
		return w.errors[i*len(w.sens)+j]
	}
	v := 0.0
	sp, se := &w.spread[j/coils], &w.sens[j]
	for q := range sp {
		v += sp[q] * se[q]
	}
	if sensor {
		sp, se = &w.across[j%coils], &w.coil[j]
		for q := range sp {
			v += sp[q] * se[q]
		}
	}
	return v
}

// product is t times the block row of a coil's covariance with every coil.
func product(t *[7]float64, cov *mat.SymDense, coil int, out [][7]float64) {
	for c := range out {
		for q := range mutual.ParametersPerCoil {
			v := 0.0
			for p := range mutual.ParametersPerCoil {
				v += t[p] * cov.At(coil*mutual.ParametersPerCoil+p, c*mutual.ParametersPerCoil+q)
			}
			out[c][q] = v
		}
	}
}

// whiten multiplies the rows by the inverse of the factor.
func (s *Solver) whiten() {
	w := &s.white
	first := s.rig.noise.first
	if w.whole {
		first = w.zeros
	}
	coils := len(s.rig.pickups)
	n := len(s.variances)
	for i := range n {
		e, c := i/coils, i%coils
		ri, li := &s.rows[e/kernel.Lanes*coils+c], e%kernel.Lanes
		row := w.factor[i*n : (i+1)*n]
		var v [kernel.Columns]float64
		for k := range v {
			v[k] = ri[k][li]
		}
		for j := first[i]; j < i; j++ {
			f := row[j]
			if f == 0 {
				continue
			}
			rj, lj := &s.rows[j/coils/kernel.Lanes*coils+j%coils], j/coils%kernel.Lanes
			for k := range v {
				v[k] -= f * rj[k][lj]
			}
		}
		for k := range v {
			ri[k][li] = v[k] * row[i]
		}
	}
}
