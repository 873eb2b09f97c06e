package assess

import (
	"errors"
	"fmt"
	"math"
	"slices"

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

// Registered is what a registration found: pose in the rig frame = Frame ∘ truth ∘ Body.
type Registered struct {
	// Mounting has Frame, the pose of the truth's frame in the rig, and Body, that of
	// the sensor in the truth's marker. Joint is over Frame, or Frame and Body; nil:
	// they are exact.
	registration.Mounting `json:"-"`

	Kind string  `json:"kind"` // "rigid", "hand-eye" or "given"
	RMS  float64 `json:"rms_m"`
	Used int     `json:"n"`
	Chi2 float64 `json:"chi2"` // NaN: covariances unknown
	DOF  int     `json:"dof"`
	// Birge multiplies the sigmas of Joint where the residuals exceed what was
	// stated; 1 where they do not.
	Birge    float64   `json:"birge_ratio"`
	Outliers []Outlier `json:"outliers"`
}

// Outlier is a pose that a registration left out.
type Outlier struct {
	Time    float64 `json:"time_s"`
	Sensor  string  `json:"sensor"`
	Station string  `json:"station,omitempty"`
}

// Covariance is Joint with the sigmas that the residuals show; nil: exact.
func (r *Registered) Covariance() *mat.SymDense {
	if r.Joint == nil {
		return nil
	}
	c := mat.NewSymDense(r.Joint.SymmetricDim(), nil)
	c.ScaleSym(r.Birge*r.Birge, r.Joint)
	return c
}

// sensitivity is the derivative of a pose that was brought over by what Joint is over.
func (r *Registered) sensitivity(read rigid.Pose) mat.Matrix {
	return r.Mounting.Sensitivity(read).Slice(0, 6, 0, r.Joint.SymmetricDim())
}

// register brings the truth over to the rig frame.
func (a *Result) register(o Options) error {
	covariance := a.errorCovariance()
	fit := registration.Options{KeepAll: o.KeepAll, Seed: o.Seed}
	var err error
	switch {
	case o.Transform != nil:
		a.Registration = a.registered("given", *o.Transform)
		covariance = a.errorCovariance()
	case o.Register == SameFrame:
		for i, c := range covariance {
			a.Samples[i].Covariance = c
		}
		return nil
	case o.Register == RigidFit:
		err = a.registerPositions(covariance, fit)
	default:
		// The weights depend a little on the arm from marker to sensor: found first,
		// counted the second time.
		if err = a.registerPoses(covariance, fit); err == nil {
			covariance = a.errorCovariance()
			err = a.registerPoses(covariance, fit)
		}
	}
	if errors.Is(err, registration.ErrUndetermined) {
		return fmt.Errorf("%w: take a truth whose points spread farther, with other orientations for hand-eye", err)
	}
	if err == nil {
		a.carry(covariance)
	}
	return err
}

// errorCovariance adds the truth's own to each estimate's.
func (a *Result) errorCovariance() []*rigid.Covariance {
	out := make([]*rigid.Covariance, len(a.Samples))
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
func (a *Result) reference(i int) (c rigid.Covariance) {
	s, sigma := &a.Samples[i], a.Rows[i].known
	for k := range 3 {
		c[k][k], c[3+k][3+k] = sigma.position*sigma.position, sigma.rotation*sigma.rotation
	}
	if s.Axis != nil {
		c = rigid.WithoutRotation(&c, s.Estimate.Rotate(*s.Axis))
	}
	if t := a.Registration; t != nil && t.Body.Position != (r3.Vec{}) {
		// s.Truth is still as read while a registration is under way, and the
		// estimate close to where it leads.
		return rigid.CovarianceAt(&c, r3.Scale(-1, s.Estimate.Rotate(t.Body.Inverse().Position)))
	}
	return c
}

func (a *Result) registerPositions(covariance []*rigid.Covariance, o registration.Options) error {
	var from, to []r3.Vec
	var weights []registration.Cov3
	weigh := !slices.Contains(covariance, nil)
	for i, s := range a.Samples {
		from, to = append(from, s.Truth.Position), append(to, s.Estimate.Position)
		if weigh {
			weights = append(weights, registration.AtPoint(*covariance[i], r3.Vec{}))
		}
	}
	m, err := registration.Points(from, to, weights, o)
	if err != nil {
		return err
	}
	joint := mat.NewSymDense(6, dense(&m.Covariance).RawMatrix().Data)
	a.Registration = a.registered("rigid", registration.Mounting{Frame: m.Pose, Body: identity, Joint: joint, Quality: m.Quality})
	return nil
}

func (a *Result) registerPoses(covariance []*rigid.Covariance, o registration.Options) error {
	if n := len(a.SensorNames()); n > 1 {
		return fmt.Errorf("hand-eye is for one sensor at a time, the truth has %d: use --sensor", n)
	}
	var reference, estimate []rigid.Pose
	var weights []rigid.Covariance
	weigh := !slices.Contains(covariance, nil)
	for i, s := range a.Samples {
		if s.Axis != nil {
			return fmt.Errorf("sensor %s does not see rotations about its axis, which hand-eye needs: use --register rigid", a.Rows[i].Sensor)
		}
		if s.PlaceOnly {
			return errors.New("the truth has no orientations, which hand-eye needs: use --register rigid")
		}
		reference, estimate = append(reference, s.Truth), append(estimate, s.Estimate)
		if weigh {
			weights = append(weights, *covariance[i])
		}
	}
	m, err := registration.Poses(reference, estimate, weights, o)
	if err == nil {
		a.Registration = a.registered("hand-eye", *m)
	}
	return err
}

func (a *Result) registered(kind string, m registration.Mounting) *Registered {
	r := &Registered{Mounting: m, Kind: kind, RMS: m.RMS, DOF: m.DOF, Chi2: math.NaN(), Birge: m.Birge()}
	for _, i := range m.Outliers() {
		r.Outliers = append(r.Outliers, Outlier{a.Samples[i].Time, a.Rows[i].Sensor, a.Stations[a.Samples[i].Station]})
	}
	r.Used = len(m.Used) - len(r.Outliers)
	if m.Stated {
		r.Chi2 = m.ChiSquare
	}
	return r
}

// carry moves the truth over and completes the covariances of the errors. A fit
// has bent towards the poses that it used, which lessens their errors; to all others
// its uncertainty adds.
func (a *Result) carry(covariance []*rigid.Covariance) {
	t := a.Registration
	for _, k := range a.truth {
		k.frame, k.body = t.Frame, t.Body
	}
	for i := range a.Samples {
		s := &a.Samples[i]
		read := s.Truth
		s.Truth, s.Covariance = t.Predict(read), covariance[i]
		if s.Covariance == nil || t.Joint == nil {
			continue
		}
		used := t.Mounting.Used != nil && t.Mounting.Used[i]
		after := afterFit(s.Covariance, t.sensitivity(read), t.Joint, used, t.Kind == "rigid")
		if s.Axis != nil {
			after = rigid.WithoutRotation(&after, s.Estimate.Rotate(*s.Axis))
		}
		s.Covariance = &after
	}
}

// afterFit is the covariance of an error e = ε − J·δ, where δ is the error of a
// fit with covariance K. If the pose itself took part, by its position alone or
// whole, cov(δ, ε) = K·Jᵀ·W·cov(·, ε) with W the inverse covariance of the part
// that did.
func afterFit(c *rigid.Covariance, j mat.Matrix, k mat.Symmetric, used, positionOnly bool) rigid.Covariance {
	own := dense(c)
	var joint, after mat.Dense
	joint.Product(j, k, j.T())
	after.Add(own, &joint)
	pull := &joint // J·cov(δ, ε)
	if used && positionOnly {
		// K·Jpᵀ·Σpp⁻¹·[Σpp, Σpr].
		var regress, cross mat.Dense
		used = regress.Solve(own.Slice(0, 3, 0, 3), own.Slice(0, 3, 0, 6)) == nil
		if used {
			cross.Mul(joint.Slice(0, 6, 0, 3), &regress)
			pull = &cross
		}
	}
	if used {
		after.Sub(&after, pull)
		after.Sub(&after, pull.T())
	}
	return covarianceOf(&after)
}

func covarianceOf(m mat.Matrix) (c rigid.Covariance) {
	for i := range c {
		mat.Row(c[i][:], i, m)
	}
	return c
}

func dense(c *rigid.Covariance) *mat.Dense {
	m := mat.NewDense(6, 6, nil)
	for i := range c {
		m.SetRow(i, c[i][:])
	}
	return m
}
