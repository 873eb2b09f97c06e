package trajectory

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// reading is what the couplings of one window say of the motion, linear about a pose
// near it: the mean m over the window of the poses on the way, as offsets from that
// pose, obeys
//
//	U·m = y + e,
//
// with e independent and of variance one where windows do not overlap. A row of
// zeros says nothing. Linear is enough, as the pose lies within its own uncertainty
// of the motion: couplings bend by the ratio of that to the distance of the
// emitters, a thousandth.
type reading struct {
	pose rigid.Pose
	root [6][6]float64 // U, upper triangle
	y    [6]float64
	rest float64 // chi-square that no pose takes away
	used int     // couplings
}

// misfit is y − U·m from row j on.
func (o *reading) misfit(j int, m *[6]float64) float64 {
	v := o.y[j]
	for k := j; k < 6; k++ {
		v -= o.root[j][k] * m[k]
	}
	return v
}

// reader turns couplings into readings. It does not allocate.
type reader struct {
	solver   *solver.Solver
	shared   *shared // nil: the model is exact
	spread   float64 // standard deviation of time under a window's weights [s]
	kurtosis float64

	mean, value, bend []float64 // couplings at a pose; along the way; what the way bends them
	residual          []float64
	inverse           []float64     // of sigma
	along             []float64     // what the couplings of an emitter share, see weigh
	beta              []float64     // by emitter
	rows              [][6]float64  // derivatives in units of sigma
	slopes            [6][6]float64 // their normal matrix
}

func newReader(s *solver.Solver, o *Options) *reader {
	p := s.Problem()
	n := len(p.Array.Emitters) * len(p.Sensor.Coils)
	r := &reader{solver: s, shared: newShared(s), spread: o.WindowSpread, kurtosis: o.WindowKurtosis, beta: make([]float64, len(p.Array.Emitters)), rows: make([][6]float64, n)}
	for _, to := range []*[]float64{&r.mean, &r.value, &r.bend, &r.residual, &r.inverse, &r.along} {
		*to = make([]float64, n)
	}
	return r
}

// at reads a frame about a pose, as if its sensor went straight and evenly through
// a straight field.
func (r *reader) at(o *reading, fr *Frame, pose rigid.Pose) error {
	if err := r.widen(fr, pose); err != nil {
		return err
	}
	if err := r.solver.Evaluate(pose, r.mean, r.rows); err != nil {
		return err
	}
	*o = reading{pose: pose, used: r.weigh(fr)}
	r.slopes = [6][6]float64{}
	for i := range r.rows {
		row := &r.rows[i]
		for a, v := range row {
			for b := a; b < 6; b++ {
				r.slopes[a][b] += v * row[b]
			}
		}
	}
	o.root = root(&r.slopes)
	clear(r.bend)
	r.fill(o, fr)
	return nil
}

// nodes of a three-point rule with a window's mean, spread σ and kurtosis κ lie at its
// centre and √κ·σ before and after it with weights of 1/2κ: exact for paths of
// the fifth order under any symmetric window.
func (r *reader) nodes() (at, weight float64) {
	return math.Sqrt(r.kurtosis) * r.spread, 0.5 / r.kurtosis
}

// bent corrects the reading that at made last for the bends of the field along the
// way that a motion takes during the window. It returns the square of what that
// makes, in standard deviations.
func (r *reader) bent(o *reading, fr *Frame, x *motion) (shift float64, err error) {
	if r.spread == 0 {
		return 0, nil
	}
	straight := o.y
	clear(r.bend)
	at, weight := r.nodes()
	for _, dt := range [2]float64{-at, at} {
		y := x.after(dt)
		dp, dr := y.pose.Minus(x.pose)
		if err := r.solver.Evaluate(o.pose.Plus(dp, dr), r.value, nil); err != nil {
			return 0, err
		}
		for i, v := range r.value {
			r.bend[i] += weight * (v - r.mean[i])
		}
	}
	r.fill(o, fr)
	// The acceleration's part is the motion's to choose: y speaks of the mean pose.
	half := r.spread * r.spread / 2
	a := six(r3.Scale(half, x.a), r3.Scale(half, x.b))
	for j := range 6 {
		for k := j; k < 6; k++ {
			o.y[j] += o.root[j][k] * a[k]
		}
		shift += (o.y[j] - straight[j]) * (o.y[j] - straight[j])
	}
	return shift, nil
}

// fill compares a frame with its model and writes what is left into a reading.
func (r *reader) fill(o *reading, fr *Frame) {
	for i, v := range fr.Couplings.Value {
		r.residual[i] = 0
		if r.inverse[i] > 0 {
			r.residual[i] = (v - r.mean[i] - r.bend[i]) * r.inverse[i]
		}
	}
	coils := len(r.residual) / len(r.beta)
	for e, beta := range r.beta {
		if beta == 0 {
			continue
		}
		u, x := r.along[e*coils:(e+1)*coils], r.residual[e*coils:(e+1)*coils]
		sum := 0.0
		for k := range u {
			sum += u[k] * x[k]
		}
		for k := range u {
			x[k] -= beta * u[k] * sum
		}
	}
	var b [6]float64
	square := 0.0
	for i, v := range r.residual {
		square += v * v
		for k, d := range r.rows[i] {
			b[k] += v * d
		}
	}
	// Uᵀ·y = b
	for j := range 6 {
		o.y[j] = 0
		if o.root[j][j] == 0 {
			continue
		}
		v := b[j]
		for k := range j {
			v -= o.root[k][j] * o.y[k]
		}
		o.y[j] = v / o.root[j][j]
		square -= o.y[j] * o.y[j]
	}
	o.rest = max(0, square)
}

// root is the upper triangular U with UᵀU = a; a direction that a says nothing of has
// a row of zeros.
func root(a *[6][6]float64) (u [6][6]float64) {
	for j := range 6 {
		d := a[j][j]
		for k := range j {
			d -= u[k][j] * u[k][j]
		}
		if !(d > 1e-12*a[j][j]) { // rounding
			continue
		}
		d = math.Sqrt(d)
		u[j][j] = d
		for i := j + 1; i < 6; i++ {
			v := a[j][i]
			for k := range j {
				v -= u[k][j] * u[k][i]
			}
			u[j][i] = v / d
		}
	}
	return u
}

// weigh turns the derivatives of a frame's couplings into units of their sigmas;
// those of missing couplings become zero. It returns how many count. Where the noise
// of the references matters, the couplings of an emitter have the covariance
//
//	D^½·(1 + u·uᵀ)·D^½,  u = D^−½·m·√common
//
// with D their independent variances and m the couplings of the model;
// (1 + u·uᵀ)^−½ is 1 − β·u·uᵀ, β = (1 − 1/√(1 + u²))/u².
func (r *reader) weigh(fr *Frame) (used int) {
	c := &fr.Couplings
	drive := r.solver.SharesDrive(c)
	for i, v := range c.Variance {
		r.inverse[i] = 0
		if drive {
			v = c.Own(i)
		}
		if !(v > 0) || math.IsInf(v, 0) {
			r.rows[i] = [6]float64{}
			continue
		}
		used++
		r.inverse[i] = 1 / math.Sqrt(v)
		for k := range r.rows[i] {
			r.rows[i][k] *= r.inverse[i]
		}
	}
	clear(r.beta)
	if !drive {
		return used
	}
	coils := len(c.Variance) / len(r.beta)
	for e, common := range c.Common {
		square := 0.0
		u := r.along[e*coils : (e+1)*coils]
		for k := range u {
			u[k] = r.inverse[e*coils+k] * math.Sqrt(common) * r.mean[e*coils+k]
			square += u[k] * u[k]
		}
		if square == 0 {
			continue
		}
		r.beta[e] = (1 - 1/math.Sqrt(1+square)) / square
		var sum [6]float64
		for k, v := range u {
			for a, d := range r.rows[e*coils+k] {
				sum[a] += v * d
			}
		}
		for k, v := range u {
			for a := range sum {
				r.rows[e*coils+k][a] -= r.beta[e] * v * sum[a]
			}
		}
	}
	return used
}

// shared is what the errors of the solver's model, which all windows share, need:
// windows near each other err alike, and no mean over them takes that away. A
// window counts its couplings by noise and model errors together, each by itself,
// so that those near an emitter do not rule; what the model's errors do to a pose
// so found is added to its covariance in the end.
type shared struct {
	model  solver.ErrorModel
	alone  *solver.Solver // takes the model for exact
	errors []float64      // of a window's couplings, n×n
}

func newShared(s *solver.Solver) *shared {
	p := s.Problem()
	model := p.ErrorModel()
	if model.Exact() {
		return nil
	}
	n := len(p.Array.Emitters) * len(p.Sensor.Coils)
	return &shared{model: model, alone: s.Exact(), errors: make([]float64, n*n)}
}

// widen adds the variances of the model's errors at a pose to a frame's, once.
func (r *reader) widen(fr *Frame, pose rigid.Pose) error {
	if r.shared == nil || fr.widened {
		return nil
	}
	fr.widened = true
	n := len(fr.Couplings.Variance)
	switch err := r.solver.ErrorCovariance(r.shared.errors, fr.Couplings, pose); {
	case errors.Is(err, solver.ErrInvalid):
		return nil // counts for nothing anyway
	case err != nil:
		return err
	}
	fr.Couplings.Variance = make([]float64, n)
	for i := range n {
		fr.Couplings.Variance[i] = r.shared.errors[i*n+i]
	}
	return nil
}

// contribution is the covariance of a pose that the model's errors make; false where
// the couplings fix no pose.
func (s *shared) contribution(c solver.Couplings, pose rigid.Pose) (sum rigid.Covariance, ok bool, err error) {
	parts, err := s.alone.Contributions(c, pose, &s.model)
	if errors.Is(err, solver.ErrUnobservable) {
		return sum, false, nil
	}
	if err != nil {
		return sum, false, err
	}
	for _, part := range parts[solver.Emitters:] {
		add(&sum, &part)
	}
	return sum, true, nil
}

func add(to, c *rigid.Covariance) {
	for i := range to {
		for j, v := range c[i] {
			to[i][j] += v
		}
	}
}
