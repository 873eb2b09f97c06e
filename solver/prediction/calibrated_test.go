package prediction_test

import (
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/prediction"
)

// some is a covariance of so many things of seven parameters each, in which all
// have to do with all.
func some(n int, random *rand.Rand) *mat.SymDense {
	sigma := [7]float64{5e-5, 5e-5, 5e-5, 1e-3, 1e-3, 1e-3, 2e-3} // m, rad, relative
	a := mat.NewDense(7*n, 7*n, nil)
	for i := range 7 * n {
		for k := range 7 * n {
			v := 0.2 * random.NormFloat64()
			if i == k {
				v++
			}
			a.Set(i, k, sigma[i%7]*v)
		}
	}
	var c mat.SymDense
	c.SymOuterK(1, a)
	return &c
}

// slopes are the derivatives of the couplings at a pose by all parameters of emitters
// and then of coils, by central differences of moved parts.
func slopes(t *testing.T, p *solver.Problem, pose rigid.Pose) *mat.Dense {
	t.Helper()
	emitters, coils := len(p.Array.Emitters), len(p.Sensor.Coils)
	out := mat.NewDense(emitters*coils, 7*(emitters+coils), nil)
	const step = 1e-6
	for column := range 7 * (emitters + coils) {
		of, k := column/7, column%7
		var sides [2][]float64
		for side, h := range []float64{-step, step} {
			array := fieldmodels.Array{Emitters: append([]fieldmodels.Emitter(nil), p.Array.Emitters...)}
			sensor := mutual.Sensor{Coils: append([]mutual.Coil(nil), p.Sensor.Coils...)}
			var shift, tilt r3.Vec
			for i, v := range []*float64{&shift.X, &shift.Y, &shift.Z, &tilt.X, &tilt.Y, &tilt.Z} {
				if i == k {
					*v = h
				}
			}
			factor := 1.0
			if k == 6 {
				factor += h
			}
			if of < emitters {
				e := &array.Emitters[of]
				// ring's loops have 40 turns.
				e.Source = fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40 * factor}, e.Center, e.Axis)
				*e = prediction.Move{Shift: shift, Tilt: tilt}.Placed(*e)
			} else {
				c := &sensor.Coils[of-emitters]
				c.Center, c.Axis, c.AreaTurns = r3.Add(c.Center, shift), rigid.Rotate(rigid.Exp(tilt), c.Axis), c.AreaTurns*factor
			}
			model, err := mutual.New(array, sensor)
			if err != nil {
				t.Fatal(err)
			}
			sides[side] = make([]float64, emitters*coils)
			if err := model.Evaluate(pose, sides[side], make([][6]float64, emitters*coils)); err != nil {
				t.Fatal(err)
			}
		}
		for i := range sides[0] {
			out.Set(i, column, (sides[1][i]-sides[0][i])/(2*step))
		}
	}
	return out
}

// carried is what the covariances of emitters and coils make of the couplings.
func carried(t *testing.T, p *solver.Problem, pose rigid.Pose) *mat.Dense {
	t.Helper()
	s := slopes(t, p, pose)
	n := 7 * len(p.Array.Emitters)
	cov := mat.NewDense(n+7*len(p.Sensor.Coils), n+7*len(p.Sensor.Coils), nil)
	cov.Slice(0, n, 0, n).(*mat.Dense).Copy(p.Array.Covariance)
	cov.Slice(n, n+7*len(p.Sensor.Coils), n, n+7*len(p.Sensor.Coils)).(*mat.Dense).Copy(p.Sensor.Covariance)
	var half, out mat.Dense
	half.Mul(s, cov)
	out.Mul(&half, s.T())
	return &out
}

// The bound of a calibrated bench is the inverse of JᵀΣ⁻¹J, with Σ the noise, what
// the noise of the references shares, and what the covariances of emitters and coils
// make of the couplings by differences. Quick derivatives of a coil with a radius
// are good to 1e-4, times the condition of the problem, as without a covariance.
func TestBoundOfCalibratedBench(t *testing.T) {
	p := ring(8, 0.3, probe())
	random := rand.New(rand.NewPCG(3, 4))
	p.Array.Covariance, p.Sensor.Covariance = some(8, random), some(3, random)
	exact := p
	exact.Array.Covariance, exact.Sensor.Covariance = nil, nil
	n := noise(p, 2e-12, 3e-3)
	bounds, alone := predictor(t, p, n), predictor(t, exact, n)
	if bounds.Exact() || !alone.Exact() {
		t.Fatal("the bench with covariances is exact, or that without is not")
	}
	model, err := mutual.New(p.Array, p.Sensor)
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range prediction.Orientations(6) {
		pose := rigid.Pose{Position: r3.Vec{X: 0.3 * (random.Float64() - 0.5), Y: 0.3 * (random.Float64() - 0.5), Z: 0.08 + 0.2*random.Float64()}, Rotation: q}
		value, slope := make([]float64, 24), make([][6]float64, 24)
		if err := model.Evaluate(pose, value, slope); err != nil {
			t.Fatal(err)
		}
		sum := carried(t, &p, pose)
		j := mat.NewDense(24, 6, nil)
		for i := range 24 {
			j.SetRow(i, slope[i][:])
			sum.Set(i, i, sum.At(i, i)+2e-12*2e-12)
			for k := i / 3 * 3; k < i/3*3+3; k++ {
				sum.Set(i, k, sum.At(i, k)+3e-3*3e-3*value[i]*value[k])
			}
		}
		var weighed, information, want mat.Dense
		if err := weighed.Solve(sum, j); err != nil {
			t.Fatal(err)
		}
		information.Mul(j.T(), &weighed)
		if err := want.Inverse(&information); err != nil {
			t.Fatal(err)
		}
		b := bounds.At(pose)
		for i := range 6 {
			near(t, "variance", b.Covariance[i][i], want.At(i, i), 3e-3)
		}
		if less := alone.At(pose); less.PositionM > 0.8*b.PositionM {
			t.Errorf("%.3g m with the covariance, %.3g without: the test shows nothing", b.PositionM, less.PositionM)
		}
		// All noise is half: by the same bound of half the noise.
		half := predictor(t, p, noise(p, 1e-12, 1.5e-3)).At(pose)
		near(t, "half the noise", bounds.Scaled(0.5).At(pose).PositionM, half.PositionM, 1e-12)
	}
}

// joint gives the errors of a problem as those of its couplings.
type joint struct {
	t *testing.T
	p *solver.Problem
}

func (j joint) Covariance(dst []float64, pose rigid.Pose) error {
	copy(dst, carried(j.t, j.p, pose).RawMatrix().Data)
	return nil
}

// Errors that come as those of the couplings are asked at the pose of the sensor,
// for a needle too, whose bounds are those of its coils' centroid.
func TestBoundWithJointErrors(t *testing.T) {
	needle := mutual.Sensor{Name: "needle", Coils: []mutual.Coil{{Center: r3.Vec{Z: 0.02}, Axis: r3.Vec{Z: 1}, AreaTurns: 0.004}, {Center: r3.Vec{Z: 0.05}, Axis: r3.Vec{Z: 1}, AreaTurns: 0.003}}}
	p := ring(8, 0.3, needle)
	random := rand.New(rand.NewPCG(5, 6))
	p.Array.Covariance, p.Sensor.Covariance = some(8, random), some(2, random)
	same := p
	same.Errors = joint{t, &p}
	n := noise(p, 2e-12, 0)
	pose := rigid.Pose{Position: r3.Vec{X: 0.03, Y: -0.05, Z: 0.12}, Rotation: rigid.Exp(r3.Vec{X: 0.4, Y: 0.3})}
	a, b := predictor(t, p, n).At(pose), predictor(t, same, n).At(pose)
	// Differences of 1e-6 leave 1e-9 of a coupling.
	near(t, "position", b.PositionM, a.PositionM, 1e-5)
	near(t, "rotation", b.RotationRad, a.RotationRad, 1e-5)
}
