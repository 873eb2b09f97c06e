package solver

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

func randomQuat(r *rand.Rand) quat.Number {
	return unitQuat(quat.Number{Real: r.NormFloat64(), Imag: r.NormFloat64(), Jmag: r.NormFloat64(), Kmag: r.NormFloat64()})
}

func randomIn(r *rand.Rand, v Volume) r3.Vec {
	d := r3.Sub(v.Max, v.Min)
	return r3.Vec{X: v.Min.X + r.Float64()*d.X, Y: v.Min.Y + r.Float64()*d.Y, Z: v.Min.Z + r.Float64()*d.Z}
}

// shifted returns pose with step of parameter i added, by the definition of
// the parameters: position, then q' = exp(δ/2)·q.
func shifted(p rigid.Pose, i int, step float64) rigid.Pose {
	d := [6]float64{}
	d[i] = step
	p.Position = r3.Add(p.Position, r3.Vec{X: d[0], Y: d[1], Z: d[2]})
	h := quat.Number{Imag: d[3] / 2, Jmag: d[4] / 2, Kmag: d[5] / 2}
	p.Rotation = quat.Mul(quat.Exp(h), p.Rotation)
	return p
}

// checkDerivatives compares Evaluate's derivatives with six-point central
// differences at random poses.
//
// With steps h the differences err by (h/r)⁶·C/140 of the derivative's scale
// M/r (C below 1e4 at the nearest distances here) and by rounding, 2e-16·M/h:
// with h = r/100, both below 1e-9.
func checkDerivatives(t *testing.T, s *Solver, poses int, scale func(r3.Vec) float64, tol float64) {
	t.Helper()
	r := rand.New(rand.NewPCG(1, 2))
	n := len(s.rig.sources) * len(s.rig.pickups)
	m := make([]float64, n)
	jac := make([][6]float64, n)
	var at [7][]float64
	for i := range at {
		at[i] = make([]float64, n)
	}
	for range poses {
		pose := rigid.Pose{Position: randomIn(r, s.rig.problem.Volume), Rotation: randomQuat(r)}
		if err := s.Evaluate(pose, m, jac); err != nil {
			t.Fatal(err)
		}
		length := scale(pose.Position)
		for i := range 6 {
			h, unit := length/100, 1/length
			if i >= 3 {
				h, unit = 0.01, 1
			}
			for k := -3; k <= 3; k++ {
				if err := s.Evaluate(shifted(pose, i, float64(k)*h), at[k+3], nil); err != nil {
					t.Fatal(err)
				}
			}
			size := 0.0
			for j := range n {
				size = math.Max(size, math.Abs(m[j]))
			}
			for j := range n {
				d := (45*(at[4][j]-at[2][j]) - 9*(at[5][j]-at[1][j]) + at[6][j] - at[0][j]) / (60 * h)
				if e := math.Abs(d - jac[j][i]); e > tol*size*unit {
					t.Errorf("coupling %d by parameter %d at %v: %g, differences %g", j, i, pose, jac[j][i], d)
				}
			}
		}
	}
}

func TestDerivatives(t *testing.T) {
	p, _ := fixedProblem(t, 6, anySource)
	s, err := New(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	checkDerivatives(t, s, 200, func(r3.Vec) float64 { return 0.1 }, 1e-8)
}

// The covariance's claim about the origin of a five-DOF sensor: move the coil
// and tilt its axis, and the origin under the smallest rotation moves as
// covariance says.
func TestSmallestRotationMovesOrigin(t *testing.T) {
	p, _ := fixedProblem(t, 5, anySource)
	p.Sensor.Coils[0].Center = r3.Vec{X: 0.004, Y: -0.003, Z: 0.01}
	p.Sensor.Coils[0].Axis = r3.Unit(r3.Vec{X: 1, Y: 2, Z: 2})
	s, err := New(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(3, 4))
	for range 100 {
		st := state{x: vec3{0.1, 0.05, 0.2}, q: randomQuat(r)}
		s.settle(&st)
		rot := st.r
		u := rot.apply(&s.rig.axis)
		// inverse normal matrix of a sure coil centre and one tilt
		v := vec3{r.NormFloat64(), r.NormFloat64(), r.NormFloat64()}
		tilt := cross(&u, &v)
		const h = 1e-6
		a := rot.apply(&s.rig.pivot)
		k := s.twist(&u)
		au := cross(&a, &u)
		at := cross(&a, &tilt)
		var want, got vec3
		ends := [2]rigid.Pose{}
		for i, sign := range []float64{-1, 1} {
			e := st
			s.move(&e, &st, &[6]float64{3: sign * h * tilt[0], 4: sign * h * tilt[1], 5: sign * h * tilt[2]})
			s.settle(&e)
			ends[i] = s.rig.poseOf(&e)
		}
		d := r3.Scale(1/(2*h), r3.Sub(ends[1].Position, ends[0].Position))
		want = fromR3(d)
		for i := range 3 {
			got[i] = at[i] + au[i]*dot(&k, &tilt)
		}
		for i := range 3 {
			if math.Abs(got[i]-want[i]) > 1e-6*(1+norm(&want))/(1+dot(&u, &s.rig.axis)) {
				t.Errorf("axis %v, tilt %v: origin moves by %v, differences %v", u, tilt, got, want)
				break
			}
		}
	}
}
