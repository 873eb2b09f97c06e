package assess

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment/registration"
)

// Registering is how a truth in another frame is brought over.
type Registering int

const (
	SameFrame Registering = iota // not at all
	RigidFit                     // by a rigid motion between the positions
	HandEye                      // by that and the mounting of marker to sensor, from positions and orientations
)

// ParseRegistering reads "none", "rigid" or "hand-eye".
func ParseRegistering(s string) (Registering, error) {
	switch s {
	case "none", "":
		return SameFrame, nil
	case "rigid":
		return RigidFit, nil
	case "hand-eye":
		return HandEye, nil
	}
	return 0, errors.New("must be none, rigid or hand-eye")
}

// Registered is what a registration found.
type Registered struct {
	Transform `json:"-"`
	Kind      string  `json:"kind"` // "rigid", "hand-eye" or "given"
	RMS       float64 `json:"rms_m"`
	Used      int     `json:"n"`
	Chi2      float64 `json:"chi2"` // NaN: covariances unknown
	DOF       int     `json:"dof"`
	// Birge multiplies the sigmas of Covariance where the residuals exceed what
	// was stated; 1 where they do not.
	Birge    float64   `json:"birge_ratio"`
	Outliers []Outlier `json:"outliers"`
}

// Outlier is a pose that a registration left out.
type Outlier struct {
	Time    float64 `json:"time_s"`
	Sensor  string  `json:"sensor"`
	Station string  `json:"station,omitempty"`
}

// Scaled is the transform with the covariance that the residuals show.
func (r *Registered) Scaled() *Transform {
	t := r.Transform
	if t.Covariance != nil {
		t.Covariance = mat.NewSymDense(r.Covariance.SymmetricDim(), nil)
		t.Covariance.ScaleSym(r.Birge*r.Birge, r.Covariance)
	}
	return &t
}

// register brings the truth over to the rig frame.
func (a *Result) register(o Options) error {
	switch {
	case o.Transform != nil:
		a.Registration = &Registered{Transform: *o.Transform, Kind: "given", RMS: math.NaN(), Chi2: math.NaN(), Birge: 1}
		a.carry(nil, a.errorCovariance())
		return nil
	case o.Register == SameFrame:
		for i, c := range a.errorCovariance() {
			a.Samples[i].Covariance = c
		}
		return nil
	case o.Register == RigidFit:
		return a.registerPlaces(o)
	}
	return a.registerPoses(o)
}

// errorCovariance adds the truth's own to each estimate's.
func (a *Result) errorCovariance() []*[6][6]float64 {
	out := make([]*[6][6]float64, len(a.Samples))
	for i, s := range a.Samples {
		if s.Covariance == nil {
			continue
		}
		sum := a.reference(i)
		for r := range 6 {
			for c := range 6 {
				sum[r][c] += s.Covariance[r][c]
			}
		}
		out[i] = &sum
	}
	return out
}

// reference is the covariance of a sample's truth, in the rig frame and at the
// sensor: a marker's error of rotation moves the sensor that is fixed to it.
// About a blind axis no rotation counts.
func (a *Result) reference(i int) (c [6][6]float64) {
	s, sigma := &a.Samples[i], a.Rows[i].known
	for k := range 3 {
		c[k][k], c[3+k][3+k] = sigma.position*sigma.position, sigma.rotation*sigma.rotation
	}
	if s.Axis != nil {
		u := s.Estimate.Rotate(*s.Axis)
		axis := [3]float64{u.X, u.Y, u.Z}
		for r := range 3 {
			for k := range 3 {
				c[3+r][3+k] -= sigma.rotation * sigma.rotation * axis[r] * axis[k]
			}
		}
	}
	if t := a.Registration; t != nil && t.Body.Position != (r3.Vec{}) {
		// s.Truth is still as read while a registration is under way, and the
		// estimate close to where it leads.
		arm := r3.Sub(r3.Vec{}, s.Estimate.Rotate(t.Body.Inverse().Position))
		return rigid.CovarianceAt(&c, arm)
	}
	return c
}

func (a *Result) options(o Options) registration.Options {
	return registration.Options{KeepAll: o.KeepAll, Seed: o.Seed}
}

// stated reports whether all samples have a covariance: a fit then weighs by them.
func stated(c []*[6][6]float64) bool {
	for _, v := range c {
		if v == nil {
			return false
		}
	}
	return true
}

func (a *Result) registerPlaces(o Options) error {
	var from, to []r3.Vec
	var weights []registration.Cov3
	covariance := a.errorCovariance()
	weigh := stated(covariance)
	for i, s := range a.Samples {
		from = append(from, s.Truth.Position)
		to = append(to, s.Estimate.Position)
		if weigh {
			weights = append(weights, registration.AtPoint(*covariance[i], r3.Vec{}))
		}
	}
	m, err := registration.Points(from, to, weights, a.options(o))
	if err != nil {
		return err
	}
	a.Registration = a.registered("rigid", &m.Quality, m.Pose, stay)
	a.Registration.Covariance = symmetric(m.Covariance)
	a.carry(m.Used, covariance)
	return nil
}

func (a *Result) registerPoses(o Options) error {
	if n := len(a.SensorNames()); n > 1 {
		return fmt.Errorf("hand-eye is for one sensor at a time, the truth has %d: use --sensor", n)
	}
	var reference, estimate []rigid.Pose
	for i, s := range a.Samples {
		if s.Axis != nil {
			return fmt.Errorf("sensor %s does not see rotations about its axis, which hand-eye needs: use --register rigid", a.Rows[i].Sensor)
		}
		if s.PlaceOnly {
			return errors.New("the truth has no orientations, which hand-eye needs: use --register rigid")
		}
		reference, estimate = append(reference, s.Truth), append(estimate, s.Estimate)
	}
	// The weights depend a little on the arm from marker to sensor: found first,
	// counted the second time.
	for pass := range 2 {
		var weights []registration.Cov6
		covariance := a.errorCovariance()
		if stated(covariance) {
			for _, c := range covariance {
				weights = append(weights, *c)
			}
		}
		m, err := registration.Poses(reference, estimate, weights, a.options(o))
		if err != nil {
			return err
		}
		a.Registration = a.registered("hand-eye", &m.Quality, m.Frame, m.Body)
		a.Registration.Covariance = m.Joint
		if pass == 1 {
			a.carry(m.Used, covariance)
		}
	}
	return nil
}

func (a *Result) registered(kind string, q *registration.Quality, frame, body rigid.Pose) *Registered {
	r := &Registered{Transform: Transform{Frame: frame, Body: body}, Kind: kind, RMS: q.RMS, DOF: q.DOF, Chi2: math.NaN(), Birge: q.Birge()}
	for _, i := range q.Outliers() {
		r.Outliers = append(r.Outliers, Outlier{a.Samples[i].Time, a.Rows[i].Sensor, a.Stations[a.Samples[i].Station]})
	}
	r.Used = len(q.Used) - len(r.Outliers)
	if q.Stated {
		r.Chi2 = q.ChiSquare
	}
	return r
}

// carry moves the truth over and completes the covariances of the errors. A fit
// has bent towards the poses that it used (used; nil: none), which lessens their
// errors; to all others its uncertainty adds.
func (a *Result) carry(used []bool, covariance []*[6][6]float64) {
	t := a.Registration
	for _, k := range a.truth {
		k.frame, k.body = t.Frame, t.Body
	}
	mounting := registration.Mounting{Frame: t.Frame, Body: t.Body}
	for i := range a.Samples {
		s := &a.Samples[i]
		read := s.Truth
		s.Truth = mounting.Predict(read)
		c := covariance[i]
		if c == nil || t.Covariance == nil {
			s.Covariance = c
			continue
		}
		j := mounting.Sensitivity(read)
		if t.Covariance.SymmetricDim() == 6 {
			j = mat.DenseCopyOf(j.Slice(0, 6, 0, 6))
		}
		if s.Axis != nil {
			withoutTwist(j, s.Estimate.Rotate(*s.Axis))
		}
		after := afterFit(c, j, t.Covariance, used != nil && used[i], t.Kind == "rigid")
		s.Covariance = &after
	}
}

// withoutTwist takes rotations about the blind axis u out of a sensitivity's lower
// three rows.
func withoutTwist(j *mat.Dense, u r3.Vec) {
	axis := [3]float64{u.X, u.Y, u.Z}
	_, columns := j.Dims()
	for c := range columns {
		var about float64
		for k, v := range axis {
			about += v * j.At(3+k, c)
		}
		for k, v := range axis {
			j.Set(3+k, c, j.At(3+k, c)-about*v)
		}
	}
}

// afterFit is the covariance of an error e = ε − J·δ, where δ is the error of a
// fit with covariance K. If the pose itself took part, by its position alone or
// whole, cov(δ, ε) = K·Jᵀ·W·cov(·, ε) with W the inverse covariance of the part
// that did.
func afterFit(c *[6][6]float64, j *mat.Dense, k *mat.SymDense, used, placeOnly bool) [6][6]float64 {
	var jk, joint mat.Dense
	jk.Mul(j, k)
	joint.Mul(&jk, j.T())
	out := *c
	for a := range 6 {
		for b := range 6 {
			out[a][b] += joint.At(a, b)
		}
	}
	if !used {
		return out
	}
	pull := mat.DenseCopyOf(&joint) // J·cov(δ, ε)
	if placeOnly {
		// K·Jpᵀ·[I, Σpp⁻¹·Σpr].
		pp, pr := mat.NewDense(3, 3, nil), mat.NewDense(3, 3, nil)
		for a := range 3 {
			for b := range 3 {
				pp.Set(a, b, c[a][b])
				pr.Set(a, b, c[a][3+b])
			}
		}
		var regress, cross mat.Dense
		if regress.Solve(pp, pr) != nil {
			return out
		}
		whole := mat.NewDense(3, 6, nil)
		for a := range 3 {
			whole.Set(a, a, 1)
			for b := range 3 {
				whole.Set(a, 3+b, regress.At(a, b))
			}
		}
		cross.Mul(joint.Slice(0, 6, 0, 3), whole)
		pull = &cross
	}
	for a := range 6 {
		for b := range 6 {
			out[a][b] -= pull.At(a, b) + pull.At(b, a)
		}
	}
	return out
}

func symmetric(c [6][6]float64) *mat.SymDense {
	s := mat.NewSymDense(6, nil)
	for i := range c {
		for j := i; j < 6; j++ {
			s.SetSym(i, j, c[i][j])
		}
	}
	return s
}
