package solver

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"tonepose/fieldmodels/rigid"
)

// Part is a source of the errors of couplings.
type Part uint8

const (
	// Noise is what an observation says of each coupling by itself; it is new in
	// every observation.
	Noise Part = iota
	// Drive is what all couplings of an emitter share of the error of its current:
	// the noise of the reference (Couplings.Common), new in every observation, and
	// the gain of its channel (ErrorModel.Drives), always the same.
	Drive
	// Emitters, Pickups and Joint are the errors of the model, the same in every
	// observation nearby: see ErrorModel.
	Emitters
	Pickups
	Joint
	// Parts is how many there are.
	Parts
)

// ErrorModel lists by their sources the errors of the couplings' model, which no
// averaging lessens. With the noise of an observation, their covariance is
//
//	Σ = N + Σ_e common_e·m_e·m_eᵀ + S·Emitters·Sᵀ + T·Pickups·Tᵀ + U·Drives·Uᵀ
//
// N being diagonal, m_e the couplings of emitter e, and S, T, U the derivatives of
// couplings by the parameters. Joint stands in for Emitters and Pickups. What is
// nil is exact.
type ErrorModel struct {
	Emitters *mat.SymDense // of the emitters' parameters: fieldmodels.Array.Covariance
	Pickups  *mat.SymDense // of the coils' parameters: mutual.Sensor.Covariance
	Drives   *mat.SymDense // of the emitters' currents, relative, one each
	Joint    Errors        // of all that was found together, as a map of metal with its bench
}

// Errors is what a model does not know of its own couplings.
type Errors interface {
	// Covariance writes the covariance [H²] of the errors of all couplings at a
	// pose into dst, n×n row by row, in the order of Couplings. Solvers share
	// it: it must be safe for concurrent use.
	Covariance(dst []float64, pose rigid.Pose) error
}

// ErrorModel returns what the problem says of its own errors.
func (p *Problem) ErrorModel() ErrorModel {
	if p.Errors != nil {
		return ErrorModel{Emitters: p.Array.Covariance, Pickups: p.Sensor.Covariance, Joint: p.Errors}
	}
	return ErrorModel{Emitters: p.Array.Covariance, Pickups: p.Sensor.Covariance}
}

// Exact tells whether the model has no errors.
func (m *ErrorModel) Exact() bool {
	return m.Emitters == nil && m.Pickups == nil && m.Drives == nil && m.Joint == nil
}

// only is the model with one part of its errors.
func (m *ErrorModel) only(p Part) (one ErrorModel) {
	switch {
	case p == Drive:
		one.Drives = m.Drives
	case p == Joint:
		one.Joint = m.Joint
	case m.Joint != nil: // stands in for these
	case p == Emitters:
		one.Emitters = m.Emitters
	case p == Pickups:
		one.Pickups = m.Pickups
	}
	return one
}

// Exact returns a Solver of the same problem that takes array and sensor for
// exact: what is left of the errors are those of the observation.
func (s *Solver) Exact() *Solver {
	g := *s.rig
	g.problem.Array.Covariance, g.problem.Sensor.Covariance, g.problem.Errors = nil, nil, nil
	g.errors = ErrorModel{}
	g.arrangeErrors()
	return (&Solver{rig: &g}).Clone()
}

// commonShare bounds, for an emitter, the variance of its couplings' common
// relative error over that of their independent ones, κ = common·Σ m²/independent,
// below which all counts as independent. In units of the independent sigmas the
// covariance is 1 + κ·u·uᵀ, with u a unit vector. Leaving off what lies off the
// diagonal changes no variance of a pose by more than the share κ of it: no sigma
// by more than 2.5 %, no coverage of a 95 % region by more than 0.6 % (chi-square
// with three degrees of freedom), and no pose that fits by more than κ of its
// sigmas. Poses of benches with good references take no more time so.
const commonShare = 0.05

// Independent tells whether every coupling errs by itself: the model is exact and
// the noise of the emitters' references is negligible.
func (s *Solver) Independent(c *Couplings) bool { return s.rig.errors.Exact() && !s.SharesDrive(c) }

// SharesDrive tells whether the common errors of the couplings of any emitter matter:
// the noise of the reference of its current.
func (s *Solver) SharesDrive(c *Couplings) bool {
	coils := len(s.rig.pickups)
	if coils == 1 {
		return false
	}
	for e, relative := range c.Common {
		ratio := 0.0
		for k := e * coils; k < (e+1)*coils && relative > 0; k++ {
			if square := relative * c.Value[k] * c.Value[k]; square > 0 { // not NaN: missing
				ratio += square / c.Own(k)
			}
		}
		if !(ratio < commonShare) {
			return true
		}
	}
	return false
}

// ErrorCovariance writes the covariance [H²] of the errors of all couplings at a
// pose into dst, n×n row by row, as Warm weighs by it: noise and all parts of the
// error model. A missing coupling has variance +Inf and no covariances.
func (s *Solver) ErrorCovariance(dst []float64, c Couplings, pose rigid.Pose) error {
	var r Result
	if !s.load(&r, c) && r.Status == Invalid {
		return ErrInvalid
	}
	defer s.plain()
	st := s.rig.stateOf(pose)
	if err := s.unweigh(&st); err != nil {
		return err
	}
	if err := s.fill(dst, &st, true, &s.rig.errors); err != nil {
		return err
	}
	n := len(s.variances)
	for i, v := range s.variances {
		dst[i*n+i] += s.seen.Own(i)
		if math.IsInf(v, 1) {
			for j := range n {
				dst[i*n+j], dst[j*n+i] = 0, 0
			}
			dst[i*n+i] = v
		}
	}
	return nil
}

// CovarianceAt is the covariance of a Result whose pose is the given one and whose
// couplings are nearly those of the model there, as Warm weighs them; false where
// they do not fix the pose.
func (s *Solver) CovarianceAt(c Couplings, pose rigid.Pose) (covariance [6][6]float64, ok bool) {
	st, ok := s.resume(c, &Result{Pose: pose})
	defer s.plain()
	if !ok {
		return covariance, false
	}
	var r Result
	s.finish(&r, &st, &descent{status: Converged})
	return r.Covariance, r.Status == Converged
}

// Contributions splits the covariance of a pose by the parts of the error model:
// what each makes of the pose's error when couplings are weighed as Warm weighs
// them. The parts of the problem's own model sum to the covariance of a Result
// there. more has errors that the weights know nothing of, such as tolerances, and
// adds to the parts; nil: none.
func (s *Solver) Contributions(c Couplings, pose rigid.Pose, more *ErrorModel) (out [Parts][6][6]float64, err error) {
	st, ok := s.resume(c, &Result{Pose: pose})
	defer s.plain()
	if !ok {
		return out, ErrUnobservable
	}
	var inverse [6][6]float64
	s.factor.Inverse(&inverse)
	weighed := s.weighedSlopes()
	s.plain()
	if err := s.unweigh(&st); err != nil {
		return out, err
	}
	n := len(weighed)
	errors := make([]float64, n*n)
	for part := range Parts {
		own := s.rig.errors.only(part)
		models := []*ErrorModel{&own}
		if more != nil {
			added := more.only(part)
			models = append(models, &added)
		}
		if err := s.fill(errors, &st, part == Drive, models...); err != nil {
			return out, err
		}
		for i, v := range s.variances {
			if part == Noise && !math.IsInf(v, 1) {
				errors[i*n+i] += s.seen.Own(i)
			}
		}
		var moved [6][6]float64 // UᵀCU
		for i := range n {
			var row [6]float64
			for j, e := range errors[i*n : (i+1)*n] {
				for k, u := range weighed[j] {
					row[k] += e * u
				}
			}
			for a, u := range weighed[i] {
				for b, v := range row {
					moved[a][b] += u * v
				}
			}
		}
		out[part] = rigid.Sandwich(&inverse, &moved)
		s.carry(&out[part], &st)
	}
	return out, nil
}

var errNoField = errors.New("solver: a source has no field at a coil")

// fill writes the covariance of the errors of models at a pose and, with drive, of
// what the noise of the emitters' references does, at the couplings of the model.
func (s *Solver) fill(dst []float64, st *state, drive bool, models ...*ErrorModel) error {
	w, n, coils := &s.white, len(s.variances), len(s.rig.pickups)
	for i := range n { // where couplings of different emitters have none in common, no more is read
		from, to := s.firstColumn(i), n
		if !w.joined {
			to = from + coils
		}
		clear(dst[i*n+from : i*n+to])
	}
	for _, m := range models {
		if m.Joint != nil {
			if w.errors == nil {
				w.errors = make([]float64, n*n)
			}
			if err := m.Joint.Covariance(w.errors, s.rig.poseOf(st)); err != nil {
				return err
			}
			floats.Add(dst, w.errors)
			continue
		}
		if m.Exact() {
			continue
		}
		for i := range n {
			from := s.firstColumn(i)
			s.prepare(m, i, from)
			for j := from; j < i; j++ {
				v := s.between(m, i, j)
				dst[i*n+j] += v
				dst[j*n+i] += v
			}
			dst[i*n+i] += s.between(m, i, i)
		}
	}
	for e, common := range s.seen.Common {
		for i := e * coils; i < (e+1)*coils && drive; i++ {
			for j := e * coils; j < (e+1)*coils; j++ {
				dst[i*n+j] += common * w.emitter[i][6] * w.emitter[j][6]
			}
		}
	}
	return nil
}

// weighedSlopes returns Σ⁻¹J of what evaluate left.
func (s *Solver) weighedSlopes() [][6]float64 {
	n := len(s.variances)
	out := make([][6]float64, n)
	for i := n - 1; i >= 0; i-- {
		at, l := s.rig.slot(i)
		for k := range out[i] {
			v := s.rows[at][k][l]
			if !s.white.active {
				out[i][k] = v * s.data[at][1][l]
				continue
			}
			for j := i + 1; j < n && s.firstColumn(j) <= i; j++ {
				v -= s.white.factor[j*n+i] * out[j][k]
			}
			out[i][k] = v * s.white.factor[i*n+i]
		}
	}
	return out
}
