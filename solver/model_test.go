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
		st := s.rig.stateOf(rigid.Pose{Position: r3.Vec{X: 0.1, Y: 0.05, Z: 0.2}, Rotation: randomQuat(r)})
		s.smallestRotation(&st)
		u := st.Out(s.rig.axis)
		// inverse normal matrix of a sure coil centre and one tilt
		v := r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}
		tilt := r3.Cross(u, v)
		const h = 1e-6
		a := st.Out(s.rig.pivot)
		ends := [2]rigid.Pose{}
		for i, sign := range []float64{-1, 1} {
			e := st
			s.move(&e, &st, &[6]float64{3: sign * h * tilt.X, 4: sign * h * tilt.Y, 5: sign * h * tilt.Z})
			s.smallestRotation(&e)
			ends[i] = s.rig.poseOf(&e)
		}
		want := r3.Scale(1/(2*h), r3.Sub(ends[1].Position, ends[0].Position))
		got := r3.Add(r3.Cross(a, tilt), r3.Scale(r3.Dot(s.twist(u), tilt), r3.Cross(a, u)))
		for i, d := range array(r3.Sub(got, want)) {
			if math.Abs(d) > 1e-6*(1+r3.Norm(want))/(1+r3.Dot(u, s.rig.axis)) {
				t.Errorf("axis %v, tilt %v: component %d of the origin moves by %v, differences %v", u, tilt, i, got, want)
			}
		}
	}
}
