package integrity

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// The invented bench of the tests: eight tilted loops, a probe with three coils.
var (
	benchHz   = []float64{5125, 6325, 7575, 8925, 10275, 11675, 13125, 14925}
	benchLo   = r3.Vec{X: -0.2, Y: -0.2, Z: 0.03}
	benchHi   = r3.Vec{X: 0.2, Y: 0.2, Z: 0.4}
	benchPlan = [][6]float64{
		{0.2, 0, -0.0074, -0.293, 0.001, 0.956}, {0.0849, 0.0849, -0.0094, 0.239, 0.320, 0.917},
		{0, 0.2, -0.0086, 0.278, 0.296, 0.914}, {-0.0849, 0.0849, 0.0024, -0.179, 0.193, 0.965},
		{-0.2, 0, 0.0033, -0.021, 0.133, 0.991}, {-0.0849, -0.0849, 0.0058, -0.126, -0.231, 0.965},
		{0, -0.2, 0.0063, -0.397, -0.126, 0.909}, {0.0849, -0.0849, -0.0059, -0.239, -0.084, 0.967},
	}
)

func benchProblem() solver.Problem {
	p := solver.Problem{Volume: solver.Volume{Min: benchLo, Max: benchHi}}
	for i, v := range benchPlan {
		center, axis := r3.Vec{X: v[0], Y: v[1], Z: v[2]}, r3.Unit(r3.Vec{X: v[3], Y: v[4], Z: v[5]})
		p.Array.Emitters = append(p.Array.Emitters, fieldmodels.Emitter{
			Name: "e" + string(rune('1'+i)), Center: center, Axis: axis,
			Source: fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, center, axis),
		})
	}
	p.Sensor = mutual.Sensor{Name: "probe", Coils: []mutual.Coil{
		{Center: r3.Vec{X: 0.004, Z: 0.001}, Axis: r3.Vec{X: 1}, AreaTurns: 0.004},
		{Center: r3.Vec{X: -0.003, Y: 0.003}, Axis: r3.Vec{Y: 1}, AreaTurns: 0.004},
		{Center: r3.Vec{Y: -0.002, Z: -0.004}, Axis: r3.Vec{Z: 1}, AreaTurns: 0.004},
	}}
	return p
}

func newBench(tb testing.TB) *solver.Solver {
	tb.Helper()
	s, err := solver.New(benchProblem(), solver.Options{})
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

// sigmas are those of the bench's receivers: a voltage noise alike at all
// tones, so that couplings are the better known the higher the tone.
func sigmas(coils int) []float64 {
	var s []float64
	for _, hz := range benchHz {
		for range coils {
			s = append(s, 1.5e-12*benchHz[0]/hz)
		}
	}
	return s
}

func randomPose(r *rand.Rand) rigid.Pose {
	lo, hi := r3.Vec{X: -0.15, Y: -0.15, Z: 0.08}, r3.Vec{X: 0.15, Y: 0.15, Z: 0.3}
	return rigid.Pose{Position: inBox(r, lo, hi), Rotation: randomTurn(r)}
}

// observe makes the couplings at a pose, with noise and metal if any.
func observe(s *solver.Solver, pose rigid.Pose, noise *rand.Rand, m metal) Observation {
	p := s.Problem()
	coils := len(p.Sensor.Coils)
	n := len(p.Array.Emitters) * coils
	o := Observation{Couplings: solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)}, Quadrature: make([]float64, n), Hz: benchHz[:len(p.Array.Emitters)]}
	if err := s.Evaluate(pose, o.Value, nil); err != nil {
		panic(err)
	}
	for i, sigma := range sigmas(coils) {
		o.Variance[i] = sigma * sigma
		if m != nil {
			v := m.coupling(p.Array.Emitters[i/coils], p.Sensor.Coils[i%coils], pose, 2*math.Pi*o.Hz[i/coils])
			o.Value[i] += real(v)
			o.Quadrature[i] += imag(v)
		}
		o.Value[i] += sigma * noise.NormFloat64()
		o.Quadrature[i] += sigma * noise.NormFloat64()
	}
	return o
}

// normalised is the squared error of a result in units of its covariance: for
// an honest one chi-square distributed with the pose's degrees of freedom.
func normalised(r *solver.Result, truth rigid.Pose) float64 {
	dp, dr := truth.Minus(r.Pose)
	c := mat.NewSymDense(6, nil)
	for i := range 6 {
		for j := i; j < 6; j++ {
			c.SetSym(i, j, r.Covariance[i][j])
		}
	}
	var f mat.Cholesky
	if !f.Factorize(c) {
		return math.Inf(1)
	}
	d := mat.NewVecDense(6, []float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z})
	var y mat.VecDense
	if err := f.SolveVecTo(&y, d); err != nil {
		return math.Inf(1)
	}
	return mat.Dot(d, &y)
}

func identify(tb testing.TB, x *Inspector, frames []solver.Couplings, fits []solver.Result) Finding {
	tb.Helper()
	f, err := x.Identify(tb.Context(), frames, fits)
	if err != nil {
		tb.Fatal(err)
	}
	return f
}
