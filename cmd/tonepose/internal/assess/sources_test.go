package assess

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// benchSources prepares the sources of an invented bench with tolerances.
func benchSources(t *testing.T) (*errorSources, rigid.Pose) {
	t.Helper()
	r, err := rig.Load(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "bobbin-bench.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	array, err := r.Array()
	if err != nil {
		t.Fatal(err)
	}
	device := r.Sensor(0)
	// Pickups without extent: their derivatives are then exact.
	for i := range device.Coils {
		device.Coils[i].Radius = 0
	}
	s, err := solver.New(solver.Problem{Array: array, Sensor: device, Volume: r.Volume()}, solver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	v := r.Volume()
	middle := r3.Scale(0.5, r3.Add(v.Min, v.Max))
	pose := rigid.Pose{Position: r3.Add(middle, r3.Vec{X: 0.02, Y: -0.01}), Rotation: rigid.Exp(r3.Vec{X: 0.4, Y: -0.7, Z: 0.3})}
	return &errorSources{rig: r, array: array, device: device, solver: s, parameters: emitterCovariance(r, array)}, pose
}

// Derivatives by a pickup's place, tilt and sensitivity against differences of the
// model itself.
func TestPickupDerivatives(t *testing.T) {
	e, pose := benchSources(t)
	n := len(e.array.Emitters) * len(e.device.Coils)
	value := make([]float64, n)
	if err := e.solver.Evaluate(pose, value, nil); err != nil {
		t.Fatal(err)
	}
	by, err := e.derivatives(pose, value)
	if err != nil {
		t.Fatal(err)
	}
	couplings := func(c, parameter int, step float64) []float64 {
		device := e.device
		device.Coils = append([]mutual.Coil(nil), device.Coils...)
		coil := &device.Coils[c]
		unit := [3]r3.Vec{{X: step}, {Y: step}, {Z: step}}[parameter%3]
		switch {
		case parameter == 6:
			coil.AreaTurns *= 1 + step
		case parameter < 3:
			coil.Center = r3.Add(coil.Center, unit)
		default:
			coil.Axis = rigid.Rotate(rigid.Exp(unit), coil.Axis)
		}
		s, err := solver.New(solver.Problem{Array: e.array, Sensor: device, Volume: e.rig.Volume()}, solver.Options{})
		if err != nil {
			t.Fatal(err)
		}
		m := make([]float64, n)
		if err := s.Evaluate(pose, m, nil); err != nil {
			t.Fatal(err)
		}
		return m
	}
	largest := 0.0
	for _, v := range value {
		largest = max(largest, math.Abs(v))
	}
	const h = 1e-5
	for p := range pickupParameters {
		up, down := couplings(0, p, h), couplings(0, p, -h)
		scale := largest / 0.1 // per metre: fields change over a decimetre
		if p >= 3 {
			scale = largest
		}
		for i := range n {
			want := (up[i] - down[i]) / (2 * h)
			// Central differences: (h/0.1 m)² = 1e-8, rounding 1e-16/1e-4.
			if d := math.Abs(by[1].At(i, p) - want); d > 1e-6*scale {
				t.Errorf("coupling %d by pickup parameter %d: %g, want %g", i, p, by[1].At(i, p), want)
			}
		}
	}
}

// What the budget says of small errors of the emitters is what the solver makes
// of them: poses from couplings of a bench that differs by a draw from a
// thousandth of its tolerances scatter as predicted.
func TestEmitterErrorsReachThePoseAsPredicted(t *testing.T) {
	e, pose := benchSources(t)
	const share = 1e-3
	coils, n := len(e.device.Coils), len(e.array.Emitters)*len(e.device.Coils)
	var small mat.SymDense
	small.ScaleSym(share*share, e.parameters)
	e.parameters = &small
	value, slope := make([]float64, n), make([][6]float64, n)
	if err := e.solver.Evaluate(pose, value, slope); err != nil {
		t.Fatal(err)
	}
	sigma := make([]float64, n)
	for i := range sigma {
		sigma[i] = 1e-13
	}
	predicted, err := e.at(pose, sigma)
	if err != nil {
		t.Fatal(err)
	}
	by, err := e.derivatives(pose, value)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	obs := solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)}
	for i, s := range sigma {
		obs.Variance[i] = s * s
	}
	const runs = 400
	var squares [6]float64
	for range runs {
		d := mat.NewVecDense(fieldmodels.ParametersPerEmitter*len(e.array.Emitters), nil)
		for k := range d.Len() {
			d.SetVec(k, rng.NormFloat64()*math.Sqrt(e.parameters.At(k, k)))
		}
		var change mat.VecDense
		change.MulVec(by[0], d)
		for i := range n {
			obs.Value[i] = value[i] + change.AtVec(i)
		}
		r := e.solver.Warm(obs, pose)
		dp, dr := r.Pose.Minus(pose)
		for k, v := range [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z} {
			squares[k] += v * v / runs
		}
	}
	for k, got := range squares {
		// Mean of 400 squares: 4·√(2/400) of it.
		if q := got / predicted[1][k][k]; math.Abs(q-1) > 4*math.Sqrt(2./runs) {
			t.Errorf("component %d scatters by %.3f of the predicted variance", k, q)
		}
	}
	if coils < 2 || predicted[0][0][0] == 0 || predicted[2][0][0] == 0 {
		t.Errorf("noise %g, pickups %g", predicted[0][0][0], predicted[2][0][0])
	}
}

// The covariance of an error after a fit, against the direct sum over the fit of
// many points: residuals of n equal points keep 1 − 6/(3n) of their variance on
// average.
func TestAfterFitKeepsTheDegreesOfFreedom(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const n, sigma = 8, 1e-4
	normal := mat.NewSymDense(6, nil)
	var rows []*mat.Dense
	for range n {
		p := r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}
		j := mat.NewDense(6, 6, nil)
		for k := range 6 {
			j.Set(k, k, 1)
		}
		j.Set(0, 4, p.Z)
		j.Set(0, 5, -p.Y)
		j.Set(1, 3, -p.Z)
		j.Set(1, 5, p.X)
		j.Set(2, 3, p.Y)
		j.Set(2, 4, -p.X)
		rows = append(rows, j)
		place := j.Slice(0, 3, 0, 6)
		var square mat.Dense
		square.Mul(place.T(), place)
		for a := range 6 {
			for b := range a + 1 {
				normal.SetSym(a, b, normal.At(a, b)+square.At(a, b)/(sigma*sigma))
			}
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(normal) {
		t.Fatal("points on a line")
	}
	var k mat.SymDense
	if err := chol.InverseTo(&k); err != nil {
		t.Fatal(err)
	}
	var c [6][6]float64
	for i := range 3 {
		c[i][i], c[3+i][3+i] = sigma*sigma, 1e-6
	}
	var left, right float64
	for _, j := range rows {
		after := afterFit(&c, j, &k, true, true)
		right += 3
		for i := range 3 {
			left += after[i][i] / (sigma * sigma)
		}
		other := afterFit(&c, j, &k, false, true)
		if other[0][0] <= c[0][0] {
			t.Error("a fit adds to the error of a pose that took no part")
		}
		// Turns were not fitted: the frame's own uncertainty comes on top.
		if after[3][3] <= c[3][3] {
			t.Errorf("turn's variance fell from %g to %g", c[3][3], after[3][3])
		}
	}
	if math.Abs(right-left-6) > 1e-9 {
		t.Errorf("a fit of 6 numbers took %.6f degrees of freedom", right-left)
	}
}
