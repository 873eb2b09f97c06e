package registration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/statistics"
	"tonepose/solver/leastsquares"
)

// Mounting says how two measuring systems that follow one body lie to each
// other: estimate ≈ Frame ∘ reference ∘ Body.
type Mounting struct {
	Frame rigid.Pose // of the reference's frame in the estimate's
	Body  rigid.Pose // of the estimate's body in the reference's
	// Joint is the covariance over shift [m] and small turn [rad] of Frame, then of
	// Body, each in the frame that its motion leads to.
	Joint *mat.SymDense
	Quality
}

// Poses finds Frame and Body from poses that both systems gave at the same
// times (robot-world and hand-eye calibration). covariance is that of each
// residual, estimate ⊖ prediction, in the estimate's frame; nil: unknown, the
// turns then weighed against the shifts by their own scatter. The body must turn
// about two axes at least that are not parallel.
//
// The start is the closed form of Shah, J. Mechanisms and Robotics 5, 031007
// (2013): K = Σ R_reference ⊗ R_estimate has vec(R_Frameᵀ) and vec(R_Body) as
// its first singular vectors. All poses then enter one weighted fit.
func Poses(reference, estimate []rigid.Pose, covariance []Cov6, o Options) (*Mounting, error) {
	n := len(reference)
	if len(estimate) != n || covariance != nil && len(covariance) != n {
		panic("registration: reference, estimate and covariance differ in length")
	}
	if n < 3 {
		return nil, fmt.Errorf("%w: %d poses, at least 3 are needed", ErrUndetermined, n)
	}
	c := &poseFit{reference: reference, estimate: estimate, weights: make([]whitener, n)}
	for i := range covariance {
		var err error
		if c.weights[i], err = newWhitener(6, func(a, b int) float64 { return covariance[i][a][b] }); err != nil {
			return nil, fmt.Errorf("pose %d: %w", i+1, err)
		}
	}
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	if err := c.fit(all); err != nil {
		return nil, err
	}
	if covariance == nil {
		if err := c.balance(); err != nil {
			return nil, err
		}
	}
	m := &Mounting{}
	m.Used = make([]bool, n)
	for i := range m.Used {
		m.Used[i] = true
	}
	if !o.KeepAll {
		m.Used = consensus(c, n, 4, 6, 12, covariance != nil, o.Seed)
	}
	use := indices(m.Used)
	if err := c.fit(use); err != nil {
		return nil, err
	}
	fit, err := c.refine(use)
	if err != nil {
		return nil, fmt.Errorf("%w: turns about one axis leave shifts along it open", err)
	}
	scale := m.judge(fit, covariance != nil)
	m.Frame, m.Body = poseOf(fit.X), poseOf(fit.X[7:])
	m.Joint = mat.NewSymDense(12, nil)
	m.Joint.ScaleSym(scale, fit.Covariance)
	c.frame, c.body = m.Frame, m.Body
	for _, i := range use {
		r := c.residual(i)
		m.RMS += (r[0]*r[0] + r[1]*r[1] + r[2]*r[2]) / float64(len(use))
	}
	m.RMS = math.Sqrt(m.RMS)
	return m, nil
}

// Predict is what the estimate should be for a reference pose.
func (m *Mounting) Predict(reference rigid.Pose) rigid.Pose {
	return m.Frame.Compose(reference).Compose(m.Body)
}

// Sensitivity is the derivative of Predict's pose by Frame's and Body's shifts
// and turns, in the order of Joint.
func (m *Mounting) Sensitivity(reference rigid.Pose) *mat.Dense {
	j := mat.NewDense(6, 12, nil)
	sensitivity(j, 0, m.Frame, reference, m.Body)
	return j
}

func sensitivity(j *mat.Dense, row int, frame, reference, body rigid.Pose) {
	at := frame.Rotate(r3.Add(reference.Position, reference.Rotate(body.Position)))
	turn := rigid.Mul(rigid.Matrix(frame.Rotation), rigid.Matrix(reference.Rotation))
	setBlock(j, row, 0, 1, rigid.Unit3)
	setBlock(j, row, 3, -1, rigid.Skew(at))
	setBlock(j, row, 6, 1, turn)
	setBlock(j, row, 9, 0, rigid.Unit3)
	setBlock(j, row+3, 0, 0, rigid.Unit3)
	setBlock(j, row+3, 3, 1, rigid.Unit3)
	setBlock(j, row+3, 6, 0, rigid.Unit3)
	setBlock(j, row+3, 9, 1, turn)
}

type poseFit struct {
	reference, estimate []rigid.Pose
	weights             []whitener
	frame, body         rigid.Pose
}

func (c *poseFit) residual(i int) [6]float64 {
	dp, dr := c.estimate[i].Minus(c.frame.Compose(c.reference[i]).Compose(c.body))
	return [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z}
}

func (c *poseFit) distance(i int) float64 {
	r := c.residual(i)
	c.weights[i].apply(r[:])
	var sum float64
	for _, v := range r {
		sum += v * v
	}
	return sum
}

// fit is the closed form: rotations first, then shifts.
func (c *poseFit) fit(use []int) error {
	k := mat.NewDense(9, 9, nil)
	for _, i := range use {
		addKronecker(k, rigid.Matrix(c.reference[i].Rotation), rigid.Matrix(c.estimate[i].Rotation))
	}
	var svd mat.SVD
	if !svd.Factorize(k, mat.SVDThin) {
		return ErrUndetermined
	}
	values := svd.Values(nil)
	if values[0]-values[1] < 1e-9*float64(len(use)) {
		return fmt.Errorf("%w: the body must turn about two axes that are not parallel", ErrUndetermined)
	}
	var u, v mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	body := mat.NewDense(3, 3, mat.Col(nil, 0, &v))
	frame := mat.DenseCopyOf(mat.NewDense(3, 3, mat.Col(nil, 0, &u)).T())
	if mat.Det(body) < 0 { // the pair's sign is free
		body.Scale(-1, body)
		frame.Scale(-1, frame)
	}
	c.body.Rotation, c.frame.Rotation = rotationOf(body), rotationOf(frame)
	// t_estimate − R_Frame·t_reference = R_Frame·R_reference·t_Body + t_Frame.
	a, b := mat.NewDense(3*len(use), 6, nil), mat.NewVecDense(3*len(use), nil)
	for row, i := range use {
		turn := rigid.Matrix(quat.Mul(c.frame.Rotation, c.reference[i].Rotation))
		setBlock(a, 3*row, 0, 1, turn)
		setBlock(a, 3*row, 3, 1, rigid.Unit3)
		d := array3(r3.Sub(c.estimate[i].Position, c.frame.Rotate(c.reference[i].Position)))
		for k, v := range d {
			b.SetVec(3*row+k, v)
		}
	}
	var x mat.VecDense
	if err := x.SolveVec(a, b); err != nil {
		if _, bad := err.(mat.Condition); !bad || math.IsInf(float64(err.(mat.Condition)), 0) {
			return ErrUndetermined
		}
	}
	c.body.Position = r3.Vec{X: x.AtVec(0), Y: x.AtVec(1), Z: x.AtVec(2)}
	c.frame.Position = r3.Vec{X: x.AtVec(3), Y: x.AtVec(4), Z: x.AtVec(5)}
	return nil
}

// balance weighs shifts and turns by the median of their residuals' squares.
func (c *poseFit) balance() error {
	var shift, turn []float64
	for i := range c.reference {
		r := c.residual(i)
		shift = append(shift, r[0]*r[0]+r[1]*r[1]+r[2]*r[2])
		turn = append(turn, r[3]*r[3]+r[4]*r[4]+r[5]*r[5])
	}
	// Exact data have no scatter; a nanometre and a nanoradian stand in.
	s, t := max(statistics.Median(shift), 1e-18), max(statistics.Median(turn), 1e-18)
	w, err := newWhitener(6, func(i, j int) float64 {
		switch {
		case i != j:
			return 0
		case i < 3:
			return s
		}
		return t
	})
	for i := range c.weights {
		c.weights[i] = w
	}
	return err
}

func (c *poseFit) refine(use []int) (leastsquares.Result, error) {
	return solve(leastsquares.Problem{
		Residuals: 6 * len(use),
		Manifold:  append(append(leastsquares.Product{}, poseSpace...), poseSpace...),
		Function: func(x, r []float64) error {
			c.frame, c.body = poseOf(x), poseOf(x[7:])
			for k, i := range use {
				d := c.residual(i)
				copy(r[6*k:], d[:])
				c.weights[i].apply(r[6*k : 6*k+6])
			}
			return nil
		},
		// The turn left over, log(R_e·(exp(δ)·R_p)ᵀ) = log(exp(r)·exp(−δ)), moves
		// by −Jr(r)⁻¹·δ.
		Jacobian: func(x []float64, j *mat.Dense) error {
			c.frame, c.body = poseOf(x), poseOf(x[7:])
			for k, i := range use {
				sensitivity(j, 6*k, c.frame, c.reference[i], c.body)
				r := c.residual(i)
				inverse := rigid.RightJacobianInverse(r3.Vec{X: r[3], Y: r[4], Z: r[5]})
				for col := range 12 {
					for row := range 3 {
						j.Set(6*k+row, col, -j.At(6*k+row, col))
					}
					v := rigid.MulVec(&inverse, r3.Vec{X: j.At(6*k+3, col), Y: j.At(6*k+4, col), Z: j.At(6*k+5, col)})
					j.Set(6*k+3, col, -v.X)
					j.Set(6*k+4, col, -v.Y)
					j.Set(6*k+5, col, -v.Z)
				}
				c.weights[i].rows(j, 6*k)
			}
			return nil
		},
	}, append(numbersOf(c.frame), numbersOf(c.body)...))
}

// addKronecker adds a ⊗ b: with matrices read row by row,
// vec(a·X·bᵀ) = (a ⊗ b)·vec(X).
func addKronecker(k *mat.Dense, a, b mat3) {
	for i := range 9 {
		for j := range 9 {
			k.Set(i, j, k.At(i, j)+a[i/3][j/3]*b[i%3][j%3])
		}
	}
}

func rotationOf(m *mat.Dense) quat.Number {
	r, _ := nearestRotation(m)
	var a mat3
	for i := range a {
		for j := range a {
			a[i][j] = r.At(i, j)
		}
	}
	return rigid.FromMatrix(a)
}
