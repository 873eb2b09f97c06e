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
	return rigid.Normalize(quat.Number{Real: r.NormFloat64(), Imag: r.NormFloat64(), Jmag: r.NormFloat64(), Kmag: r.NormFloat64()})
}

func randomIn(r *rand.Rand, v Volume) r3.Vec {
	d := r3.Sub(v.Max, v.Min)
	return r3.Vec{X: v.Min.X + r.Float64()*d.X, Y: v.Min.Y + r.Float64()*d.Y, Z: v.Min.Z + r.Float64()*d.Z}
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
		s.smallestTurn(&st)
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
			s.smallestTurn(&e)
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
