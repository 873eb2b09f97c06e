package registration

import (
	"fmt"
	"slices"

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
	// Joint is the covariance over shift [m] and small rotation [rad] of Frame, then of
	// Body, each in the frame that its motion leads to.
	Joint *mat.SymDense
	Quality
}

// Poses finds Frame and Body from poses that both systems gave at the same
// times (robot-world and hand-eye calibration). covariance is that of each
// residual, estimate ⊖ prediction, in the estimate's frame; nil: unknown, the
// rotations then weighed against the shifts by their own scatter. The body must turn
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
	c := &poseFit{reference: reference, estimate: estimate}
	a := &adjustment{model: c, n: n, size: 4, components: 6, parameters: 12, weights: make([]whitener, n),
		manifold: append(append(leastsquares.Product{}, poseSpace...), poseSpace...),
		stated:   covariance != nil, open: "rotations about one axis leave shifts along it open"}
	if err := c.start(indices(slices.Repeat([]bool{true}, n))); err != nil {
		return nil, err
	}
	weigh := c.balanced()
	if covariance != nil {
		weigh = func(k, i, j int) float64 { return covariance[k][i][j] }
	}
	if err := a.weigh("pose", weigh); err != nil {
		return nil, err
	}
	fit, quality, scale, err := a.run(o)
	if err != nil {
		return nil, err
	}
	m := &Mounting{c.frame, c.body, mat.NewSymDense(12, nil), quality}
	m.Joint.ScaleSym(scale, fit.Covariance)
	return m, nil
}

// Predict is what the estimate should be for a reference pose.
func (m *Mounting) Predict(reference rigid.Pose) rigid.Pose {
	return m.Frame.Compose(reference).Compose(m.Body)
}

// Sensitivity is the derivative of Predict's pose by Frame's and Body's shifts
// and rotations, in the order of Joint.
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
	frame, body         rigid.Pose
}

// start finds rotations first, then shifts.
func (c *poseFit) start(use []int) error {
	u, v, err := singular(len(use), func(k int) (a, b quat.Number) {
		return c.reference[use[k]].Rotation, c.estimate[use[k]].Rotation
	})
	if err != nil {
		return err
	}
	c.body.Rotation, c.frame.Rotation = quaternion(v), quaternion(mat.DenseCopyOf(u.T()))
	// t_estimate − R_Frame·t_reference = R_Frame·R_reference·t_Body + t_Frame.
	a, b := mat.NewDense(3*len(use), 6, nil), mat.NewVecDense(3*len(use), nil)
	for row, i := range use {
		setBlock(a, 3*row, 0, 1, rigid.Matrix(quat.Mul(c.frame.Rotation, c.reference[i].Rotation)))
		setBlock(a, 3*row, 3, 1, rigid.Unit3)
		for k, v := range array3(r3.Sub(c.estimate[i].Position, c.frame.Rotate(c.reference[i].Position))) {
			b.SetVec(3*row+k, v)
		}
	}
	x, err := linear(a, b)
	if err != nil {
		return err
	}
	c.body.Position = r3.Vec{X: x.AtVec(0), Y: x.AtVec(1), Z: x.AtVec(2)}
	c.frame.Position = r3.Vec{X: x.AtVec(3), Y: x.AtVec(4), Z: x.AtVec(5)}
	return nil
}

func (c *poseFit) numbers() []float64 { return append(numbersOf(c.frame), numbersOf(c.body)...) }
func (c *poseFit) set(x []float64)    { c.frame, c.body = poseOf(x), poseOf(x[7:]) }

func (c *poseFit) residual(i int, r []float64) {
	dp, dr := c.estimate[i].Minus(c.frame.Compose(c.reference[i]).Compose(c.body))
	copy(r, []float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z})
}

// The rotation left over, log(R_e·(exp(δ)·R_p)ᵀ) = log(exp(r)·exp(−δ)), moves by
// −Jr(r)⁻¹·δ.
func (c *poseFit) derivative(i int, j *mat.Dense, row int) {
	sensitivity(j, row, c.frame, c.reference[i], c.body)
	var r [6]float64
	c.residual(i, r[:])
	inverse := rigid.RightJacobianInverse(r3.Vec{X: r[3], Y: r[4], Z: r[5]})
	for col := range 12 {
		for k := range 3 {
			j.Set(row+k, col, -j.At(row+k, col))
		}
		v := rigid.MulVec(&inverse, r3.Vec{X: j.At(row+3, col), Y: j.At(row+4, col), Z: j.At(row+5, col)})
		for k, d := range array3(v) {
			j.Set(row+3+k, col, -d)
		}
	}
}

// balanced is a covariance that weighs shifts and rotations by the median of their
// residuals' squares.
func (c *poseFit) balanced() func(k, i, j int) float64 {
	var shift, rotation []float64
	for i := range c.reference {
		var r [6]float64
		c.residual(i, r[:])
		shift = append(shift, r[0]*r[0]+r[1]*r[1]+r[2]*r[2])
		rotation = append(rotation, r[3]*r[3]+r[4]*r[4]+r[5]*r[5])
	}
	// Exact data have no scatter; a nanometre and a nanoradian stand in.
	variance := [2]float64{max(statistics.Median(shift), 1e-18), max(statistics.Median(rotation), 1e-18)}
	return func(_, i, j int) float64 {
		if i != j {
			return 0
		}
		return variance[i/3]
	}
}
