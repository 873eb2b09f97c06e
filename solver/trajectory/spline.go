package trajectory

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// curve is a uniform cubic B-spline of poses: positions in R³, rotations
// cumulative on SO(3),
//
//	p(t) = Σ B_j(u)·P_{i+j},  R(t) = R_i·Π exp(β_j(u)·log(R_{i+j−1}ᵀR_{i+j})),
//
// with B the basis of the four control points around t and β its cumulative
// sums. Both have continuous second derivatives.
//
// Source: Sommer et al., Efficient derivative computation for cumulative
// B-splines on Lie groups, CVPR 2020 (the derivatives below are for
// perturbations from the left, R' = exp(δ)·R).
type curve struct {
	start   float64 // time of the first segment's start [s]
	step    float64 // between knots [s]
	control []rigid.Pose
	turns   []turn // to each control point from the one before; nil: not made ready
}

// turn is the way from a control point's rotation to that of the next: its rotation
// vector δ, and how that changes with the latter from the left, J_l⁻¹(δ)·R_{j−1}ᵀ.
type turn struct {
	delta r3.Vec
	by    [3][3]float64
}

// ready computes once what every evaluation needs. The control points must stay.
func (c *curve) ready() {
	c.turns = make([]turn, len(c.control))
	for i := 1; i < len(c.control); i++ {
		c.turns[i] = c.turn(i)
	}
}

func (c *curve) turn(i int) (t turn) {
	before := c.control[i-1]
	t.delta = rigid.Log(before.Inverse().Compose(c.control[i]).Rotation)
	t.by = rigid.Mul(rigid.LeftJacobianInverse(t.delta), rigid.Transpose(rigid.Matrix(before.Rotation)))
	return t
}

// weight is how much of a control point's error a curve has: of its position, and of its
// rotation from the left.
type weight struct {
	place float64
	turn  [3][3]float64
}

// order is the number of control points that shape one segment.
const order = 4

// center is the time at which a control point weighs most.
func (c *curve) center(i int) float64 { return c.start + float64(i-1)*c.step }

// locate gives the segment of a time and the position in it, 0 to 1.
func (c *curve) locate(t float64) (segment int, u float64) {
	x := (t - c.start) / c.step
	segment = min(max(int(math.Floor(x)), 0), len(c.control)-order)
	return segment, x - float64(segment)
}

// basis and its cumulative sums from the last control point backwards.
func basis(u float64) (b, cumulative [order]float64) {
	v := 1 - u
	b = [order]float64{v * v * v / 6, (3*u*u*u - 6*u*u + 4) / 6, (-3*u*u*u + 3*u*u + 3*u + 1) / 6, u * u * u / 6}
	sum := 0.0
	for j := order - 1; j >= 0; j-- {
		sum += b[j]
		cumulative[j] = sum
	}
	return b, cumulative
}

// at evaluates the curve. How much the pose has of the errors of the four control points
// from segment on goes to w, unless nil.
func (c *curve) at(t float64, w *[order]weight) (rigid.Pose, int) {
	segment, u := c.locate(t)
	b, cum := basis(u)
	control := c.control[segment : segment+order]
	var p r3.Vec
	for j := range control {
		p = r3.Add(p, r3.Scale(b[j], control[j].Position))
	}
	if w != nil {
		for j := range w {
			w[j] = weight{place: b[j]}
		}
		w[0].turn = rigid.Unit3
	}
	product := control[0].Rotation
	for j := 1; j < order; j++ {
		var own turn
		between := &own
		if c.turns != nil {
			between = &c.turns[segment+j]
		} else {
			own = c.turn(segment + j)
		}
		part := r3.Scale(cum[j], between.delta)
		if w != nil {
			// δ += R(so far)·J_l(β·d)·β·J_l⁻¹(d)·R_{j−1}ᵀ·(δ_j − δ_{j−1})
			m := rigid.Mul(rigid.Matrix(product), rigid.LeftJacobian(part))
			m = rigid.Mul(m, between.by)
			for r := range 3 {
				for s := range 3 {
					w[j].turn[r][s] += cum[j] * m[r][s]
					w[j-1].turn[r][s] -= cum[j] * m[r][s]
				}
			}
		}
		product = quat.Mul(product, rigid.Exp(part))
	}
	return rigid.Pose{Position: p, Rotation: product}, segment
}

// move applies one step of the unknowns, six for each control point.
func (c *curve) move(step []float64) *curve {
	next := &curve{start: c.start, step: c.step, control: make([]rigid.Pose, len(c.control))}
	for i, p := range c.control {
		next.control[i] = p.Plus(vec(step[6*i:]), vec(step[6*i+3:]))
	}
	return next
}

// rates are the derivatives by central differences of a thousandth of a knot:
// exact to 1e-6 of the curve's second derivative times the knots' spacing.
func (c *curve) rates(t float64) (velocity, turn r3.Vec) {
	h := c.step / 1000
	a, _ := c.at(t-h, nil)
	b, _ := c.at(t+h, nil)
	dp, dr := b.Minus(a)
	return r3.Scale(1/(2*h), dp), r3.Scale(1/(2*h), dr)
}
