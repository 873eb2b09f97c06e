package trajectory

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

// bench is an invented array of tilted dipoles with a probe of three coils, or
// of one.
func bench(t testing.TB, coils int) *solver.Solver {
	t.Helper()
	p := solver.Problem{Volume: solver.Volume{Min: r3.Vec{X: -0.15, Y: -0.15, Z: 0.08}, Max: r3.Vec{X: 0.15, Y: 0.15, Z: 0.3}}}
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range 8 {
		s, c := math.Sincos(2 * math.Pi * float64(i) / 8)
		r := 0.12 + 0.08*float64(i%2)
		m := r3.Scale(0.15, r3.Unit(r3.Vec{X: 0.4 * rng.NormFloat64(), Y: 0.4 * rng.NormFloat64(), Z: 1}))
		p.Array.Emitters = append(p.Array.Emitters, fieldmodels.Emitter{
			Name: string(rune('a' + i)), Center: r3.Vec{X: r * c, Y: r * s}, Axis: r3.Unit(m),
			Source: fieldmodels.Place(fieldmodels.Dipole{Moment: m}, rigid.Pose{Position: r3.Vec{X: r * c, Y: r * s}, Rotation: rigid.Identity().Rotation}),
		})
	}
	axes := []r3.Vec{{Z: 1}, {X: 1}, {Y: 1}}
	for i := range coils {
		p.Sensor.Coils = append(p.Sensor.Coils, mutual.Coil{Axis: axes[i], AreaTurns: 0.004})
	}
	s, err := solver.New(p, solver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// drive simulates the very motion that the filter believes in: white jerk, or
// white acceleration, drawn exactly from the model's covariance.
func drive(m Motion, n int, dt, q, r float64, rng *rand.Rand) []motion {
	x := motion{pose: rigid.Pose{Position: r3.Vec{Z: 0.16}, Rotation: rigid.Exp(r3.Vec{X: 0.3})}}
	var noise matrix
	m.addNoise(&noise, dt, q, r, &rigid.Unit3)
	free := 18
	if m == ConstantVelocity {
		free = 12
	}
	c := mat.NewSymDense(free, nil)
	for i := range free {
		for j := i; j < free; j++ {
			c.SetSym(i, j, noise[i][j])
		}
	}
	var chol mat.Cholesky
	chol.Factorize(c)
	var lower mat.TriDense
	chol.LTo(&lower)
	path := []motion{x}
	for range n - 1 {
		z := mat.NewVecDense(free, nil)
		for i := range free {
			z.SetVec(i, rng.NormFloat64())
		}
		var d mat.VecDense
		d.MulVec(&lower, z)
		var step vector
		copy(step[:], d.RawVector().Data)
		x = x.after(dt)
		x = x.plus(&step)
		path = append(path, x)
	}
	return path
}

// observe gives windows so short that a pose is all that they see.
func observe(t testing.TB, s *solver.Solver, path []motion, dt, sigma float64, rng *rand.Rand) []Frame {
	t.Helper()
	var frames []Frame
	for i, x := range path {
		n := len(s.Problem().Array.Emitters) * len(s.Problem().Sensor.Coils)
		c := solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)}
		if err := s.Evaluate(x.pose, c.Value, nil); err != nil {
			t.Fatal(err)
		}
		for k := range c.Value {
			c.Value[k] += sigma * rng.NormFloat64()
			c.Variance[k] = sigma * sigma
		}
		frames = append(frames, Frame{Time: float64(i) * dt, Couplings: c})
	}
	return frames
}

// wander is a random smooth motion: three sinusoids along each axis and about each,
// of the RMS speed [m/s] and turn rate [rad/s] asked for, within some 8 cm.
func wander(speed, turns float64, rng *rand.Rand) func(t float64) rigid.Pose {
	var hz, phase, peak [6][3]float64
	for c := range hz {
		rms, reach := speed/math.Sqrt(3), 0.08
		if c >= 3 {
			rms, reach = turns/math.Sqrt(3), 0.5
		}
		for k := range hz[c] {
			hz[c][k] = max(0.3, rms/(math.Sqrt2*math.Pi*reach)) * (0.8 + 0.4*rng.Float64())
			phase[c][k] = 2 * math.Pi * rng.Float64()
			peak[c][k] = rms / math.Sqrt(3) / (math.Sqrt2 * math.Pi * hz[c][k])
		}
	}
	start := rigid.Pose{Position: r3.Vec{Z: 0.18}, Rotation: rigid.Exp(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64()})}
	return func(t float64) rigid.Pose {
		var d [6]float64
		for c := range d {
			for k, f := range hz[c] {
				d[c] += peak[c][k] * math.Sin(2*math.Pi*f*t+phase[c][k])
			}
		}
		return start.Plus(vec(d[:]), vec(d[3:]))
	}
}

// hann are the windows of a recording of white noise along a path: length and hop [s]
// in whole fiftieths of the length, sigma [H] that of a window's couplings. The
// second value is the correlation of windows 1, 2, 3 … apart.
func hann(t testing.TB, s *solver.Solver, path func(float64) rigid.Pose, seconds, length float64, hop int, sigma float64, rng *rand.Rand) ([]Frame, []float64) {
	t.Helper()
	const parts = 50
	var taper [parts]float64
	sum, square := 0.0, 0.0
	for i := range taper {
		taper[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/parts)
		sum += taper[i]
		square += taper[i] * taper[i]
	}
	var rho []float64
	for shift := hop; shift < parts; shift += hop {
		v := 0.0
		for i := shift; i < parts; i++ {
			v += taper[i] * taper[i-shift] / square
		}
		rho = append(rho, v)
	}
	n := len(s.Problem().Array.Emitters) * len(s.Problem().Sensor.Coils)
	step := length / parts
	total := int(seconds / step)
	values := make([][]float64, total)
	for i := range values {
		values[i] = make([]float64, n)
		if err := s.Evaluate(path((float64(i)+0.5)*step), values[i], nil); err != nil {
			t.Fatal(err)
		}
		for k := range values[i] {
			values[i][k] += sigma * sum / math.Sqrt(square) * rng.NormFloat64()
		}
	}
	var frames []Frame
	for from := 0; from+parts <= total; from += hop {
		c := solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)}
		for k := range n {
			for i, w := range taper {
				c.Value[k] += w / sum * values[from+i][k]
			}
			c.Variance[k] = sigma * sigma
		}
		frames = append(frames, Frame{Time: (float64(from) + parts/2.) * step, Couplings: c})
	}
	return frames, rho
}

// score counts states against the truth.
type score struct {
	n, position, all int
	normal           float64 // Σ eᵀC⁻¹e/6
}

func (s *score) add(st *State, truth rigid.Pose) {
	dp, dr := st.Pose.Minus(truth)
	e := six(dp, dr)
	s.n++
	whole := over(st.Covariance, e[:])
	s.normal += whole / 6
	// 95 % of chi-square with 3 and 6 degrees of freedom (NIST/SEMATECH e-Handbook,
	// table 1.3.6.7.4).
	if whole < 12.592 {
		s.all++
	}
	if over(st.Covariance, e[:3]) < 7.815 {
		s.position++
	}
}

// over is eᵀC⁻¹e over as many components as e has.
func over(c rigid.Covariance, e []float64) float64 {
	n := len(e)
	cov := mat.NewSymDense(n, nil)
	for i := range n {
		for k := i; k < n; k++ {
			cov.SetSym(i, k, c[i][k])
		}
	}
	var chol mat.Cholesky
	var solved mat.VecDense
	if !chol.Factorize(cov) || chol.SolveVecTo(&solved, mat.NewVecDense(n, e)) != nil {
		return math.NaN()
	}
	return mat.Dot(mat.NewVecDense(n, e), &solved)
}
