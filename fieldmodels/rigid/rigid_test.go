package rigid_test

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"tonepose/fieldmodels/rigid"
	"tonepose/testdata/published"
)

type matrix = [3][3]float64

func vec(a [3]float64) r3.Vec { return r3.Vec{X: a[0], Y: a[1], Z: a[2]} }

func matrixDistance(a, b matrix) float64 {
	worst := 0.0
	for i := range a {
		for j := range a[i] {
			worst = math.Max(worst, math.Abs(a[i][j]-b[i][j]))
		}
	}
	return worst
}

// Solà, Deray, Atchuthan, arXiv:1812.01537: exponential, quaternion, right
// Jacobian and its inverse, evaluated in 40 digits. The tolerance is some
// roundings of numbers of size one: 8·2⁻⁵³ ≈ 1e-15; the inverse Jacobian grows
// with the angle, and half a turn is known only to the last place of π.
func TestSO3PublishedCases(t *testing.T) {
	var file struct {
		Cases []struct {
			Name            string     `json:"name"`
			Vector          [3]float64 `json:"rotation_vector_rad"`
			Matrix          matrix     `json:"matrix_rowmajor"`
			Quaternion      [4]float64 `json:"quaternion_wxyz"`
			RightJacobian   matrix     `json:"right_jacobian"`
			InverseJacobian *matrix    `json:"inverse_right_jacobian"`
		} `json:"cases"`
	}
	published.JSON(t, "so3_cases.json", &file)
	if len(file.Cases) < 5 {
		t.Fatalf("only %d cases", len(file.Cases))
	}
	const tol = 1e-15
	for _, c := range file.Cases {
		w := vec(c.Vector)
		q := rigid.Exp(w)
		if q.Real < 0 {
			q = quat.Scale(-1, q)
		}
		want := quat.Number{Real: c.Quaternion[0], Imag: c.Quaternion[1], Jmag: c.Quaternion[2], Kmag: c.Quaternion[3]}
		if d := quat.Abs(quat.Sub(q, want)); d > tol {
			t.Errorf("%s: Exp = %v, want %v (off by %.1e)", c.Name, q, want, d)
		}
		if d := matrixDistance(rigid.Matrix(q), c.Matrix); d > tol {
			t.Errorf("%s: matrix off by %.1e", c.Name, d)
		}
		if d := matrixDistance(rigid.RightJacobian(w), c.RightJacobian); d > tol {
			t.Errorf("%s: right Jacobian off by %.1e", c.Name, d)
		}
		if c.InverseJacobian != nil {
			if d := matrixDistance(rigid.RightJacobianInverse(w), *c.InverseJacobian); d > 4*tol {
				t.Errorf("%s: inverse right Jacobian off by %.1e", c.Name, d)
			}
		}
		if r3.Norm(w) < math.Pi-1e-6 {
			if d := r3.Norm(r3.Sub(rigid.Log(want), w)); d > 2*tol*(1+r3.Norm(w)) {
				t.Errorf("%s: Log off by %.1e", c.Name, d)
			}
		}
	}
}

func TestSE3PublishedCases(t *testing.T) {
	var file struct {
		Cases []struct {
			Rho   [3]float64 `json:"rho_m"`
			Theta [3]float64 `json:"theta_rad"`
			R     matrix     `json:"R"`
			T     [3]float64 `json:"t_m"`
		} `json:"cases"`
	}
	published.JSON(t, "se3_exp_cases.json", &file)
	if len(file.Cases) == 0 {
		t.Fatal("no cases")
	}
	for i, c := range file.Cases {
		p := rigid.ExpSE3(vec(c.Rho), vec(c.Theta))
		if d := matrixDistance(rigid.Matrix(p.Rotation), c.R); d > 1e-15 {
			t.Errorf("case %d: R off by %.1e", i, d)
		}
		if d := r3.Norm(r3.Sub(p.Position, vec(c.T))); d > 1e-15*(1+r3.Norm(vec(c.Rho))) {
			t.Errorf("case %d: t off by %.1e", i, d)
		}
		rho, theta := rigid.LogSE3(p)
		if d := r3.Norm(r3.Sub(rho, vec(c.Rho))) + r3.Norm(r3.Sub(theta, vec(c.Theta))); d > 1e-14 {
			t.Errorf("case %d: log off by %.1e", i, d)
		}
	}
}

func unit(t *rapid.T, name string) r3.Vec {
	z := rapid.Float64Range(-1, 1).Draw(t, name+"_z")
	a := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, name+"_azimuth")
	s := math.Sqrt(1 - z*z)
	return r3.Vec{X: s * math.Cos(a), Y: s * math.Sin(a), Z: z}
}

// rotationVector favours what breaks formulas: zero, tiny, near half a turn.
func rotationVector(t *rapid.T) r3.Vec {
	angle := rapid.OneOf(
		rapid.Float64Range(0, 3.1),
		rapid.Map(rapid.Float64Range(-300, 0), func(e float64) float64 { return math.Pow(10, e) }),
		rapid.Map(rapid.Float64Range(-15, -1), func(e float64) float64 { return math.Pi - math.Pow(10, e) }),
		rapid.Just(0.0),
	).Draw(t, "angle")
	return r3.Scale(angle, unit(t, "axis"))
}

func pose(t *rapid.T) rigid.Pose {
	return rigid.Pose{
		Position: r3.Scale(rapid.Float64Range(0, 3).Draw(t, "distance"), unit(t, "direction")),
		Rotation: rigid.Exp(rotationVector(t)),
	}
}

func same(a, b quat.Number) float64 {
	return math.Min(quat.Abs(quat.Sub(a, b)), quat.Abs(quat.Add(a, b)))
}

func TestExpLogRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := rotationVector(t)
		back := rigid.Log(rigid.Exp(w))
		// Near π the vector may come back from the other side: the rotations agree.
		if r3.Norm(w) < 3 {
			if d := r3.Norm(r3.Sub(back, w)); d > 4e-16*(1+1/math.Cos(r3.Norm(w)/2))*r3.Norm(w)+1e-320 {
				t.Fatalf("Log(Exp(%v)) = %v, off by %.1e", w, back, d)
			}
		}
		if d := same(rigid.Exp(back), rigid.Exp(w)); d > 1e-15 {
			t.Fatalf("rotations differ by %.1e", d)
		}
	})
}

func TestMatrixRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := rigid.Exp(rotationVector(t))
		m := rigid.Matrix(q)
		back := rigid.FromMatrix(m)
		if d := same(back, q); d > 2e-15 {
			t.Fatalf("FromMatrix(Matrix(%v)) = %v", q, back)
		}
		v := unit(t, "v")
		r := rigid.Rotate(q, v)
		want := r3.Vec{X: m[0][0]*v.X + m[0][1]*v.Y + m[0][2]*v.Z, Y: m[1][0]*v.X + m[1][1]*v.Y + m[1][2]*v.Z, Z: m[2][0]*v.X + m[2][1]*v.Y + m[2][2]*v.Z}
		if d := r3.Norm(r3.Sub(r, want)); d > 2e-15 {
			t.Fatalf("Rotate and Matrix differ by %.1e", d)
		}
	})
}

func TestPoseProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := pose(t), pose(t)
		v := r3.Scale(2, unit(t, "v"))
		if d := r3.Norm(r3.Sub(a.Compose(b).Apply(v), a.Apply(b.Apply(v)))); d > 1e-14 {
			t.Fatalf("Compose differs from two Apply by %.1e m", d)
		}
		if d := r3.Norm(r3.Sub(a.Inverse().Apply(a.Apply(v)), v)); d > 1e-14 {
			t.Fatalf("Inverse misses by %.1e m", d)
		}
		dp, dr := b.Minus(a)
		c := a.Plus(dp, dr)
		if d := r3.Norm(r3.Sub(c.Position, b.Position)) + same(c.Rotation, b.Rotation); d > 5e-15 {
			t.Fatalf("Plus(Minus) misses by %.1e", d)
		}
		rho, theta := rigid.LogSE3(a)
		e := rigid.ExpSE3(rho, theta)
		if d := r3.Norm(r3.Sub(e.Position, a.Position)) + same(e.Rotation, a.Rotation); d > 3e-14 {
			t.Fatalf("ExpSE3(LogSE3) misses by %.1e", d)
		}
	})
}

// Plus moves about the body's own origin, in rig axes.
func TestPlusFrame(t *testing.T) {
	p := rigid.Pose{Position: r3.Vec{X: 1}, Rotation: rigid.Exp(r3.Vec{Z: math.Pi / 2})}
	q := p.Plus(r3.Vec{Y: 0.5}, r3.Vec{X: math.Pi / 2})
	// Body x first points along rig y; a quarter turn about rig x carries it to rig z.
	if got, want := q.Apply(r3.Vec{X: 1}), (r3.Vec{X: 1, Y: 0.5, Z: 1}); r3.Norm(r3.Sub(got, want)) > 1e-15 {
		t.Fatalf("got %v, want %v", got, want)
	}
}

func TestBetween(t *testing.T) {
	check := func(a, b r3.Vec) (float64, float64) {
		q := rigid.Between(a, b)
		miss := r3.Norm(r3.Sub(rigid.Rotate(q, r3.Unit(a)), r3.Unit(b)))
		return miss, math.Abs(q.Imag*a.X+q.Jmag*a.Y+q.Kmag*a.Z) / r3.Norm(a)
	}
	rapid.Check(t, func(t *rapid.T) {
		a := r3.Scale(rapid.Float64Range(0.1, 10).Draw(t, "length"), unit(t, "a"))
		b := unit(t, "b")
		if rapid.Bool().Draw(t, "nearly opposite") {
			e := math.Pow(10, rapid.Float64Range(-17, -1).Draw(t, "exponent"))
			b = r3.Add(r3.Scale(-1, r3.Unit(a)), r3.Scale(e, b))
		}
		miss, along := check(a, b)
		if miss > 2e-15 || along > 1e-15 {
			t.Fatalf("Between(%v, %v) misses by %.1e; axis along a by %.1e", a, b, miss, along)
		}
	})
	// Opposite but for rounding, and with a cross product below 1e-290.
	for _, c := range [][2]r3.Vec{
		{{X: -0.9883336593359705, Y: 0.1257430869563802, Z: 0.0859375}, {X: 0.9883336593359707, Y: -0.12574308695638023, Z: -0.08593750000000001}},
		{{X: 0.5403023058681398, Y: 0.8414709848078965, Z: 5.010420900022432e-293}, {X: -0.5403023058681398, Y: -0.8414709848078965, Z: -5.0104209000224314e-293}},
	} {
		if miss, along := check(c[0], c[1]); miss > 2e-15 || along > 1e-15 {
			t.Errorf("Between(%v, %v) misses by %.1e; axis along a by %.1e", c[0], c[1], miss, along)
		}
	}
	for _, a := range []r3.Vec{{X: 1}, {Y: -2}, {Z: 3}, {X: 1, Y: 1, Z: 1}} {
		for _, s := range []float64{1, -1} {
			if miss, _ := check(a, r3.Scale(s, a)); miss > 1e-15 {
				t.Errorf("Between(%v, %g×) misses by %.1e", a, s, miss)
			}
		}
	}
}

// Jacobians against the definition, by a four-point difference: its error is
// (h⁴/30)·f⁽⁵⁾ + 1.5ε/h, near 1e-12 at h = 1e-3.
func TestJacobiansAgainstDifferences(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := rotationVector(t)
		right, left := rigid.RightJacobian(w), rigid.LeftJacobian(w)
		const h = 1e-3
		q := rigid.Exp(w)
		for j := range 3 {
			step := func(s float64) quat.Number {
				d := [3]float64{}
				d[j] = s * h
				return rigid.Exp(r3.Add(w, vec(d)))
			}
			var r, l r3.Vec
			for _, c := range []struct{ s, k float64 }{{1, 8}, {-1, -8}, {2, -1}, {-2, 1}} {
				e := step(c.s)
				r = r3.Add(r, r3.Scale(c.k/(12*h), rigid.Log(quat.Mul(quat.Conj(q), e))))
				l = r3.Add(l, r3.Scale(c.k/(12*h), rigid.Log(quat.Mul(e, quat.Conj(q)))))
			}
			if d := r3.Norm(r3.Sub(r, r3.Vec{X: right[0][j], Y: right[1][j], Z: right[2][j]})); d > 5e-12 {
				t.Fatalf("right Jacobian, column %d of %v: off by %.1e", j, w, d)
			}
			if d := r3.Norm(r3.Sub(l, r3.Vec{X: left[0][j], Y: left[1][j], Z: left[2][j]})); d > 5e-12 {
				t.Fatalf("left Jacobian, column %d of %v: off by %.1e", j, w, d)
			}
		}
		product := func(a, b matrix) matrix {
			var c matrix
			for i := range 3 {
				for j := range 3 {
					for k := range 3 {
						c[i][j] += a[i][k] * b[k][j]
					}
				}
			}
			return c
		}
		one := matrix{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
		if d := matrixDistance(product(right, rigid.RightJacobianInverse(w)), one); d > 1e-14 {
			t.Fatalf("Jr·Jr⁻¹ misses the identity by %.1e at %v", d, w)
		}
		if d := matrixDistance(product(left, rigid.LeftJacobianInverse(w)), one); d > 1e-14 {
			t.Fatalf("Jl·Jl⁻¹ misses the identity by %.1e at %v", d, w)
		}
	})
}
