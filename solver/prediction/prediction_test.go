package prediction_test

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/prediction"
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s = %.6g, want %.6g (off by %.2g of it)", what, got, want, got/want-1)
	}
}

// ring is n loops in a ring, flat or tilted at random, below a probe.
func ring(n int, tilt float64, sensor mutual.Sensor) solver.Problem {
	random := rand.New(rand.NewPCG(1, 2))
	p := solver.Problem{Sensor: sensor, Volume: solver.Volume{Min: r3.Vec{X: -0.15, Y: -0.15, Z: 0.03}, Max: r3.Vec{X: 0.15, Y: 0.15, Z: 0.3}}}
	for i := range n {
		s, c := math.Sincos(2 * math.Pi * float64(i) / float64(n))
		center := r3.Vec{X: 0.2 * c, Y: 0.2 * s}
		axis := r3.Unit(r3.Vec{X: tilt * random.NormFloat64(), Y: tilt * random.NormFloat64(), Z: 1})
		p.Array.Emitters = append(p.Array.Emitters, fieldmodels.Emitter{Name: string(rune('a' + i)), Center: center, Axis: axis,
			Source: fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, center, axis)})
	}
	return p
}

func probe() mutual.Sensor {
	return mutual.Sensor{Name: "probe", Coils: []mutual.Coil{
		{Center: r3.Vec{X: 0.004, Z: 0.001}, Axis: r3.Vec{X: 1}, AreaTurns: 0.004, Radius: 0.004},
		{Center: r3.Vec{X: -0.003, Y: 0.003}, Axis: r3.Vec{Y: 1}, AreaTurns: 0.004, Radius: 0.004},
		{Center: r3.Vec{Y: -0.002, Z: -0.004}, Axis: r3.Vec{Z: 1}, AreaTurns: 0.004, Radius: 0.004},
	}}
}

func micro() mutual.Sensor {
	return mutual.Sensor{Name: "micro", Coils: []mutual.Coil{{Axis: r3.Vec{Z: 1}, AreaTurns: 8e-5}}}
}

func noise(p solver.Problem, sigma, relative float64) prediction.Noise {
	n := prediction.Noise{SigmaH: slices.Repeat([]float64{sigma}, len(p.Array.Emitters)*len(p.Sensor.Coils))}
	n.Relative = slices.Repeat([]float64{relative}, len(p.Array.Emitters))
	return n
}

func predictor(t *testing.T, p solver.Problem, n prediction.Noise) *prediction.Predictor {
	t.Helper()
	out, err := prediction.New(p, n)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Three crossed dipoles of moment m and three crossed point coils of area A at
// distance r along z, R = 1: couplings a·diag(−1, −1, 2) with a = μ0mA/(4πr³).
// By hand, with σ the noise of each: the information of z is 54a²/(rσ)², of a
// turn about z 2a²/σ², and of x with a turn about y a²/σ²·[18/r², −9/r; −9/r, 5],
// likewise y and x. So the position's variance is (σ/a)²·r²·(2·5/9 + 1/54) and the
// rotation's (σ/a)²·(2·2 + 1/2).
func TestCrossedDipolesInClosedForm(t *testing.T) {
	const moment, area, r, sigma = 0.15, 0.004, 0.4, 1e-12
	p := solver.Problem{Volume: solver.Volume{Min: r3.Vec{X: -0.5, Y: -0.5, Z: 0.1}, Max: r3.Vec{X: 0.5, Y: 0.5, Z: 1}}}
	for _, axis := range []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
		p.Array.Emitters = append(p.Array.Emitters, fieldmodels.Emitter{Source: fieldmodels.Dipole{Moment: r3.Scale(moment, axis)}, Axis: axis})
		p.Sensor.Coils = append(p.Sensor.Coils, mutual.Coil{Axis: axis, AreaTurns: area})
	}
	a := fieldmodels.Mu0 / (4 * math.Pi) * moment * area / (r * r * r)
	bound := predictor(t, p, noise(p, sigma, 0)).At(rigid.Pose{Position: r3.Vec{Z: r}, Rotation: rigid.Exp(r3.Vec{})})
	near(t, "position", bound.PositionM, sigma/a*r*math.Sqrt(2*5.0/9+1.0/54), 1e-12)
	near(t, "rotation", bound.RotationRad, sigma/a*math.Sqrt(4.5), 1e-12)
	near(t, "x", bound.Covariance[0][0], math.Pow(sigma/a*r, 2)*5/9, 1e-12)
	near(t, "x with turn about y", bound.Covariance[0][4], math.Pow(sigma/a, 2)*r, 1e-12)
	// Twice the noise or the distance to the fourth over: σ grows as r⁴.
	far := predictor(t, p, noise(p, sigma, 0)).At(rigid.Pose{Position: r3.Vec{Z: 2 * r}, Rotation: rigid.Exp(r3.Vec{})})
	near(t, "far", far.PositionM, 16*bound.PositionM, 1e-12)
}

// The bound is the inverse of JᵀΣ⁻¹J, by another library, and agrees with the
// covariance that the solver reports (whose quick derivatives of a coil with a
// radius are good to 1e-4, times the condition of the problem).
func TestBoundAgreesWithSolver(t *testing.T) {
	p := ring(8, 0.3, probe())
	sv, err := solver.New(p, solver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	n := noise(p, 2e-12, 3e-3)
	pr := predictor(t, p, n)
	random := rand.New(rand.NewPCG(7, 8))
	for _, q := range prediction.Orientations(10) {
		pose := rigid.Pose{Position: r3.Vec{X: 0.3 * (random.Float64() - 0.5), Y: 0.3 * (random.Float64() - 0.5), Z: 0.05 + 0.25*random.Float64()}, Rotation: q}
		b := pr.At(pose)
		m, j := make([]float64, 24), make([][6]float64, 24)
		if err := sv.Evaluate(pose, m, j); err != nil {
			t.Fatal(err)
		}
		sigma, jacobian := mat.NewSymDense(24, nil), mat.NewDense(24, 6, nil)
		variance, common := make([]float64, 24), make([]float64, 8)
		for i := range m {
			for k := i - i%3; k <= i; k++ { // the coils of one emitter
				sigma.SetSym(i, k, 9e-6*m[i]*m[k])
			}
			variance[i], common[i/3] = 4e-24+9e-6*m[i]*m[i], 9e-6
			sigma.SetSym(i, i, variance[i])
			jacobian.SetRow(i, j[i][:])
		}
		var chol mat.Cholesky
		var weighed, square mat.Dense
		if !chol.Factorize(sigma) || chol.SolveTo(&weighed, jacobian) != nil {
			t.Fatal("singular")
		}
		square.Mul(jacobian.T(), &weighed)
		f := mat.NewSymDense(6, nil)
		for a := range 6 {
			for c := range a + 1 {
				f.SetSym(a, c, square.At(a, c))
			}
		}
		var inverse mat.SymDense
		if !chol.Factorize(f) || chol.InverseTo(&inverse) != nil {
			t.Fatal("singular")
		}
		r := sv.Warm(solver.Couplings{Value: m, Variance: variance, Common: common}, pose)
		for a := range 6 {
			size := b.Covariance[a][a]
			near(t, "inverse", b.Covariance[a][a], inverse.At(a, a), 1e-9)
			near(t, "solver", size, r.Covariance[a][a], 3e-3)
			for c := range a {
				if e := math.Sqrt(b.Covariance[c][c] * size); math.Abs(b.Covariance[a][c]-inverse.At(a, c)) > 1e-9*e {
					t.Errorf("covariance %d %d: %g, want %g", a, c, b.Covariance[a][c], inverse.At(a, c))
				}
			}
		}
	}
}

// monteCarlo solves noisy couplings many times and returns the mean squares of
// position and rotation error.
func monteCarlo(t *testing.T, p solver.Problem, n prediction.Noise, pose rigid.Pose, runs int) (position, rotation float64) {
	t.Helper()
	sv, err := solver.New(p, solver.Options{StepTol: 1e-3})
	if err != nil {
		t.Fatal(err)
	}
	k := len(n.SigmaH)
	exact := make([]float64, k)
	if err := sv.Evaluate(pose, exact, nil); err != nil {
		t.Fatal(err)
	}
	random := rand.New(rand.NewPCG(3, 4))
	c := solver.Couplings{Value: make([]float64, k), Variance: make([]float64, k), Common: make([]float64, len(n.Relative))}
	coils := len(p.Sensor.Coils)
	for range runs {
		current := 0.0 // relative error
		for i := range exact {
			relative := n.Relative[i/coils]
			if i%coils == 0 {
				current = relative * random.NormFloat64()
			}
			c.Value[i] = exact[i]*(1+current) + n.SigmaH[i]*random.NormFloat64()
			c.Variance[i] = n.SigmaH[i]*n.SigmaH[i] + relative*relative*c.Value[i]*c.Value[i]
			c.Common[i/coils] = relative * relative
		}
		r := sv.Warm(c, pose)
		if r.Status != solver.Converged {
			t.Fatal(r.Status)
		}
		if sv.Freedom() == 5 {
			u := p.Sensor.Coils[0].Axis
			position += r3.Norm2(r3.Sub(r.Pose.Apply(p.Sensor.Coils[0].Center), pose.Apply(p.Sensor.Coils[0].Center)))
			rotation += r3.Norm2(rigid.Log(rigid.Between(pose.Rotate(u), r.Pose.Rotate(u))))
			continue
		}
		dp, dr := r.Pose.Minus(pose)
		position += r3.Norm2(dp)
		rotation += r3.Norm2(dr)
	}
	return position / float64(runs), rotation / float64(runs)
}

// The mean of 3 or 2 squares over N runs has a relative deviation of at most
// √(2/N) (one direction dominates): 4 of them for N = 4000 are 9 % of the square.
func TestBoundAgainstMonteCarlo(t *testing.T) {
	off := micro()
	off.Coils[0].Center = r3.Vec{X: 0.01, Y: -0.02, Z: 0.005}
	for name, sensor := range map[string]mutual.Sensor{"three coils": probe(), "weak references": probe(), "one coil": micro(), "one coil off the origin": off} {
		p := ring(6, 0.4, sensor)
		relative := 0.0
		if name == "weak references" {
			relative = 3e-3
		}
		n := noise(p, 1e-13*sensor.Coils[0].AreaTurns/8e-5, relative)
		pose := rigid.Pose{Position: r3.Vec{X: 0.05, Y: -0.03, Z: 0.12}, Rotation: rigid.Exp(r3.Vec{X: 0.4, Y: -0.8, Z: 0.2})}
		b := predictor(t, p, n).At(pose)
		position, rotation := monteCarlo(t, p, n, pose, 4000)
		near(t, name+": position²", position, b.PositionM*b.PositionM, 0.09)
		near(t, name+": rotation²", rotation, b.RotationRad*b.RotationRad, 0.09)
	}
}

// One emitter can not tell how far round its axis a probe stands, and one coil of
// four emitters has too few couplings.
func TestBlind(t *testing.T) {
	for name, p := range map[string]solver.Problem{"one emitter": ring(1, 0, probe()), "four couplings": ring(4, 0.3, micro())} {
		pr := predictor(t, p, noise(p, 1e-13, 0))
		spots, err := pr.Survey(context.Background(), prediction.Grid(p.Volume, 3), prediction.Orientations(4))
		if err != nil {
			t.Fatal(err)
		}
		s := prediction.Summarise(spots)
		if s.Blind != 27*4 || s.Poses != 27*4 || len(s.BlindAt) != 27 || !math.IsInf(s.Position.Median, 1) {
			t.Errorf("%s: %+v", name, s)
		}
	}
	// On the wire itself nothing is told.
	p := ring(8, 0, micro())
	if b := predictor(t, p, noise(p, 1e-13, 0)).At(rigid.Pose{Position: r3.Vec{X: 0.235}, Rotation: rigid.Exp(r3.Vec{})}); b.Observable {
		t.Errorf("on the wire: %+v", b)
	}
}

// Evenly spread rotations turn any vector evenly: over twelve, and multiples of
// it, the mean of R is zero and that of each component's square 1/3; over few
// more they are near.
func TestOrientations(t *testing.T) {
	for _, n := range []int{12, 120, 1200, 1000} {
		var mean, square [3][3]float64
		for _, q := range prediction.Orientations(n) {
			if d := quat.Abs(q) - 1; math.Abs(d) > 1e-15 {
				t.Fatalf("norm off by %g", d)
			}
			m := rigid.Matrix(q)
			for i := range 3 {
				for j := range 3 {
					mean[i][j] += m[i][j] / float64(n)
					square[i][j] += m[i][j] * m[i][j] / float64(n)
				}
			}
		}
		tolerance := 1e-14
		if n%12 != 0 {
			tolerance = 12.0 / float64(n) // one group is not complete
		}
		for i := range 3 {
			for j := range 3 {
				if math.Abs(mean[i][j]) > tolerance || math.Abs(square[i][j]-1.0/3) > tolerance {
					t.Errorf("%d rotations: mean R[%d][%d] = %.3g, mean square %.3g", n, i, j, mean[i][j], square[i][j])
				}
			}
		}
	}
	var z []r3.Vec
	for _, q := range prediction.Orientations(6) {
		v := rigid.Rotate(q, r3.Vec{Z: 1})
		for _, o := range z {
			if r3.Norm(r3.Sub(v, o)) < 1 {
				t.Errorf("z comes to %v and %v", v, o)
			}
		}
		z = append(z, v)
	}
	// Spirals fill: the angle from any rotation to the nearest of 1200 is below
	// 30°: a ball of that radius holds (θ − sin θ)/π of all rotations, nine of these.
	random := rand.New(rand.NewPCG(5, 6))
	all := prediction.Orientations(1200)
	for range 200 {
		q := rigid.Normalize(quat.Number{Real: random.NormFloat64(), Imag: random.NormFloat64(), Jmag: random.NormFloat64(), Kmag: random.NormFloat64()})
		best := 0.0
		for _, o := range all {
			best = math.Max(best, math.Abs(q.Real*o.Real+q.Imag*o.Imag+q.Jmag*o.Jmag+q.Kmag*o.Kmag))
		}
		if angle := 2 * math.Acos(math.Min(1, best)) * 180 / math.Pi; angle > 30 {
			t.Errorf("no rotation within %.0f°", angle)
		}
	}
}

func TestSummaryAndPlaces(t *testing.T) {
	p := ring(8, 0.3, probe())
	pr := predictor(t, p, noise(p, 2e-12, 0))
	spots, err := pr.Survey(context.Background(), prediction.Grid(p.Volume, 4), prediction.Orientations(5))
	if err != nil {
		t.Fatal(err)
	}
	s := prediction.Summarise(spots)
	b := pr.At(s.Worst)
	near(t, "worst pose", b.PositionM, s.Position.Worst, 1e-12)
	if !(s.Best.PositionM <= s.Position.Median && s.Position.Median <= s.Position.P95 && s.Position.P95 <= s.Position.Worst) {
		t.Errorf("%+v", s)
	}
	// Mean squares by hand.
	sum := 0.0
	for _, at := range spots {
		for _, q := range prediction.Orientations(5) {
			v := pr.At(rigid.Pose{Position: at.At, Rotation: q}).PositionM
			sum += v * v / (64 * 5)
		}
	}
	near(t, "mean square", s.Position.RMS, math.Sqrt(sum), 1e-12)
	// Slices: corners and the middle plane.
	for axis, want := range map[int]r3.Vec{0: {X: 0, Y: -0.15, Z: 0.03}, 1: {X: -0.15, Y: 0, Z: 0.03}, 2: {X: -0.15, Y: -0.15, Z: 0.165}} {
		places := prediction.Slice(p.Volume, axis, 3, 2)
		if len(places) != 6 || r3.Norm(r3.Sub(places[0], want)) > 1e-15 {
			t.Errorf("slice %d begins at %v, want %v", axis, places[0], want)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := pr.Survey(ctx, prediction.Grid(p.Volume, 4), prediction.Orientations(5)); err == nil {
		t.Error("a cancelled survey ends without an error")
	}
}

func TestBadInput(t *testing.T) {
	p := ring(8, 0.3, probe())
	for name, n := range map[string]prediction.Noise{
		"short":    {SigmaH: []float64{1e-12}},
		"zero":     {SigmaH: make([]float64, 24)},
		"relative": {SigmaH: noise(p, 1e-12, 0).SigmaH, Relative: []float64{-1, 0, 0, 0, 0, 0, 0, 0}},
	} {
		if _, err := prediction.New(p, n); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := prediction.Optimise(context.Background(), p, noise(p, 1e-12, 0), prediction.Layout{}); err == nil {
		t.Error("an optimum without room: no error")
	}
}
