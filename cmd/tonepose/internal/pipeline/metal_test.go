package pipeline

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/calibration"
)

// plateBench is the bench of a rig file, built a little differently, over a large
// plate, with what a device of given sigmas tells of its stations. Invented data.
type plateBench struct {
	problem calibration.Problem
	built   []*solver.Solver // simulate the sensors
	volume  solver.Volume
	random  *rand.Rand
}

// newPlateBench builds every loop 1.5 mm, 1.5° and 2 % off, coil axes 1° and
// areas 3 %, and adds to each loop its image in a plate at a height [m]: times
// (μr − 1)/(μr + 1) for a thick permeable plate, −1 for a perfect conductor.
//
// Every sensor has the coils of the rig's, built anew.
func newPlateBench(t testing.TB, seed uint64, sensors int, height, share float64) *plateBench {
	t.Helper()
	r, err := rig.Load(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "pipe-bench.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := &plateBench{volume: r.Volume(), random: rand.New(rand.NewPCG(seed, 77))}
	NewBench(r).draw(&b.problem)
	var array fieldmodels.Array
	for _, e := range b.problem.Emitters {
		move := rigid.Pose{Rotation: rigid.Exp(b.vector(1.5 * math.Pi / 180))}
		move.Position = r3.Sub(r3.Add(e.Center, b.vector(1.5e-3)), rigid.Rotate(move.Rotation, e.Center))
		loop := *fieldmodels.Place(e.Source, move).(*fieldmodels.PlacedLoop)
		loop.Loop.Turns *= 1 + 0.02*b.random.NormFloat64()
		center, axis := loop.Center, loop.Axis
		image := fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: loop.Loop.Radius, Turns: loop.Loop.Turns * math.Abs(share)},
			r3.Vec{X: center.X, Y: center.Y, Z: 2*height - center.Z}, r3.Scale(math.Copysign(1, share), r3.Vec{X: -axis.X, Y: -axis.Y, Z: axis.Z}))
		array.Emitters = append(array.Emitters, fieldmodels.Emitter{Name: e.Name, Source: fieldmodels.Sum{&loop, image}, Center: center, Axis: axis})
	}
	for range sensors {
		sensor := r.Sensor(0)
		for k := range sensor.Coils {
			sensor.Coils[k].Axis = rigid.Rotate(rigid.Exp(b.vector(math.Pi/180)), sensor.Coils[k].Axis)
			sensor.Coils[k].AreaTurns *= 1 + 0.03*b.random.NormFloat64()
		}
		built, err := solver.New(solver.Problem{Array: array, Sensor: sensor, Volume: middle}, solver.Options{})
		if err != nil {
			t.Fatal(err)
		}
		b.built = append(b.built, built)
		if len(b.problem.Sensors) < len(b.built) {
			b.problem.Sensors = append(b.problem.Sensors, b.problem.Sensors[0])
		}
	}
	return b
}

// middle is a small volume for solvers that start near the truth.
var middle = solver.Volume{Min: r3.Vec{X: -0.01, Y: -0.01, Z: 0.1}, Max: r3.Vec{X: 0.01, Y: 0.01, Z: 0.12}}

func (b *plateBench) vector(sigma float64) r3.Vec {
	return r3.Vec{X: sigma * b.random.NormFloat64(), Y: sigma * b.random.NormFloat64(), Z: sigma * b.random.NormFloat64()}
}

// observe takes couplings of a sensor somewhere in the middle of the working volume, with
// the noise of a rest of 20 ms: 5 pH at 10 kHz.
func (b *plateBench) observe(t testing.TB, sensor int) (rigid.Pose, solver.Couplings) {
	t.Helper()
	lo, hi := b.volume.Min, b.volume.Max
	within := func(lo, hi float64) float64 { return lo + (hi-lo)*(0.15+0.7*b.random.Float64()) }
	q := quat.Number{Real: b.random.NormFloat64(), Imag: b.random.NormFloat64(), Jmag: b.random.NormFloat64(), Kmag: b.random.NormFloat64()}
	pose := rigid.Pose{Position: r3.Vec{X: within(lo.X, hi.X), Y: within(lo.Y, hi.Y), Z: within(lo.Z, lo.Z+0.7*(hi.Z-lo.Z))}, Rotation: quat.Scale(1/quat.Abs(q), q)}
	coils := len(b.problem.Sensors[sensor].Coils)
	n := coils * len(b.problem.Emitters)
	c := solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)}
	if err := b.built[sensor].Evaluate(pose, c.Value, nil); err != nil {
		t.Fatal(err)
	}
	for i := range c.Value {
		sigma := 5e-12 * 1e4 / b.problem.Emitters[i/coils].Hz
		c.Value[i] += sigma * b.random.NormFloat64()
		c.Variance[i] = sigma * sigma
	}
	return pose, c
}

// station tells one pose, off by the sigmas, of the sensors in turns.
func (b *plateBench) station(t testing.TB, sigmaPosition, sigmaRotation float64) {
	t.Helper()
	n := len(b.problem.Stations)
	sensor := n % len(b.built)
	pose, c := b.observe(t, sensor)
	b.problem.Stations = append(b.problem.Stations, calibration.Station{Name: fmt.Sprint(n), Sensor: sensor,
		Reference: pose.Plus(b.vector(sigmaPosition), b.vector(sigmaRotation)), SigmaPosition: sigmaPosition, SigmaRotation: sigmaRotation,
		Couplings: c, Quadrature: make([]float64, len(c.Value))})
}

// heldOut is what stations show that had no part in a map: sums over stations of
// squared errors and of what was stated.
type heldOut struct {
	stations, inside float64 // inside the 95 % ellipsoid of position
	square, stated   float64 // of position [m²]
	normalised       float64 // position and turn over their covariance, a degree of freedom
	position         float64 // position alone
	// The variance of position's mean, as the stated covariances make it: one
	// map's errors are common to all of its stations.
	variance float64
}

func (h *heldOut) add(o *heldOut) {
	n := h.stations + o.stations
	h.variance = (h.stations*h.stations*h.variance + o.stations*o.stations*o.variance) / (n * n)
	h.stations, h.inside, h.square, h.stated = n, h.inside+o.inside, h.square+o.square, h.stated+o.stated
	h.normalised, h.position = h.normalised+o.normalised, h.position+o.position
}

// holdOut solves stations of a sensor with a map.
func (b *plateBench) holdOut(t *testing.T, m *Metal, sensor, stations int) *heldOut {
	t.Helper()
	s, err := m.solver(sensor, middle)
	if err != nil {
		t.Fatal(err)
	}
	out := &heldOut{stations: float64(stations)}
	var truths []rigid.Pose
	var gains []*mat.Dense
	for range stations {
		truth, c := b.observe(t, sensor)
		r := s.Warm(c, truth)
		if r.Status != solver.Converged {
			t.Fatalf("a station is %v", r.Status)
		}
		dp, dr := r.Pose.Minus(truth)
		off := mat.NewVecDense(6, []float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z})
		cov := mat.NewSymDense(6, nil)
		for i := range 6 {
			for k := i; k < 6; k++ {
				cov.SetSym(i, k, r.Covariance[i][k])
			}
		}
		out.normalised += overCovariance(t, cov, off) / 6
		square := overCovariance(t, cov.SliceSym(0, 3).(*mat.SymDense), off.SliceVec(0, 3).(*mat.VecDense))
		out.position += square / 3
		if square < within95 {
			out.inside++
		}
		out.square += r3.Norm2(dp)
		out.stated += cov.At(0, 0) + cov.At(1, 1) + cov.At(2, 2)
		truths, gains = append(truths, truth), append(gains, gain(t, s, c, truth, cov))
	}
	out.variance = scatter(t, s, truths, gains)
	return out
}

func overCovariance(t *testing.T, c *mat.SymDense, d *mat.VecDense) float64 {
	t.Helper()
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(c) || chol.SolveVecTo(&x, d) != nil {
		t.Fatalf("covariance %v", mat.Formatted(c))
	}
	return mat.Dot(d, &x)
}

// gain is what an error of the couplings does to a station's position, over the
// root of its stated covariance: 3 × couplings.
func gain(t *testing.T, s *solver.Solver, c solver.Couplings, pose rigid.Pose, cov *mat.SymDense) *mat.Dense {
	t.Helper()
	n := len(c.Value)
	slopes, sigma := make([][6]float64, n), mat.NewSymDense(n, nil)
	if err := s.Evaluate(pose, nil, slopes); err != nil {
		t.Fatal(err)
	}
	errors := make([]float64, n*n)
	if err := s.Problem().Errors.Covariance(errors, pose); err != nil {
		t.Fatal(err)
	}
	jacobian := mat.NewDense(n, 6, nil)
	for i := range n {
		jacobian.SetRow(i, slopes[i][:])
		for k := i; k < n; k++ {
			sigma.SetSym(i, k, errors[i*n+k])
		}
		sigma.SetSym(i, i, sigma.At(i, i)+c.Variance[i])
	}
	var whole, root mat.Cholesky
	if !whole.Factorize(sigma) || !root.Factorize(cov.SliceSym(0, 3).(*mat.SymDense)) {
		t.Fatal("a covariance is not positive definite")
	}
	var weighted, moves, out mat.Dense
	if err := whole.SolveTo(&weighted, jacobian); err != nil {
		t.Fatal(err)
	}
	moves.Mul(cov, weighted.T())
	var lower mat.TriDense
	root.LTo(&lower)
	if err := out.Solve(&lower, moves.Slice(0, 3, 0, n)); err != nil {
		t.Fatal(err)
	}
	return &out
}

// scatter is the variance of the mean over stations of e² a coordinate, e their
// errors over the root of their covariance, when map and bench err as stated:
// the variance of a product of normal numbers is twice their covariance squared.
func scatter(t *testing.T, s *solver.Solver, poses []rigid.Pose, gains []*mat.Dense) float64 {
	t.Helper()
	m := s.Problem().Errors.(*metal)
	pickups, bench, err := m.derivatives(poses...)
	if err != nil {
		t.Fatal(err)
	}
	emitters, coils, all := len(m.own.Emitters), len(m.sensor.Coils), len(pickups)
	common := mat.NewDense(emitters*all, emitters*all, nil)
	m.known.Propagate(common.RawMatrix().Data, pickups, bench)
	n := emitters * coils
	wide := mat.NewDense(3*len(poses), emitters*all, nil)
	for p, g := range gains {
		for i := range n {
			for k := range 3 {
				wide.Set(3*p+k, i/coils*all+p*coils+i%coils, g.At(k, i))
			}
		}
	}
	var half, cross mat.Dense
	half.Mul(wide, common)
	cross.Mul(&half, wide.T())
	sum := 0.0
	for i := range 3 * len(poses) {
		for k := range 3 * len(poses) {
			v := cross.At(i, k)
			if i/3 == k/3 { // with the noise, all of it is one
				v = 0
				if i == k {
					v = 1
				}
			}
			sum += 2 * v * v
		}
	}
	return sum / float64(9*len(poses)*len(poses))
}

// honest maps benches of several seeds and compares the errors of held-out
// stations, of the last sensor, with what is stated of them.
func honest(t *testing.T, seeds, sensors, mapped, held int, height, share float64, o correction.Options) (all heldOut) {
	t.Helper()
	for seed := range seeds {
		b := newPlateBench(t, uint64(seed), sensors, height, share)
		for range mapped {
			b.station(t, 5e-5, 0.05*math.Pi/180)
		}
		m, err := MapMetal(&b.problem, calibration.Options{}, o)
		if err != nil {
			t.Fatal(err)
		}
		h := b.holdOut(t, m, sensors-1, held)
		t.Logf("seed %d: %.3f mm, stated %.3f mm; normalised %.2f, of position %.2f ± %.2f; %.1f %% inside; growth %.2f, %+v",
			seed, 1e3*math.Sqrt(h.square/h.stations), 1e3*math.Sqrt(h.stated/h.stations), h.normalised/h.stations,
			h.position/h.stations, math.Sqrt(h.variance), 100*h.inside/h.stations, m.Map.Growth, m.Map.Smoothness)
		all.add(h)
	}
	return all
}

// check holds the errors against what is stated.
func (h *heldOut) check(t *testing.T) {
	t.Helper()
	sigma := math.Sqrt(h.variance)
	// So many independent stations would scatter as much.
	effective := 2 / (3 * h.variance)
	inside, position, normalised := h.inside/h.stations, h.position/h.stations, h.normalised/h.stations
	t.Logf("%.0f stations, as good as %.0f: %.3f mm, stated %.3f mm; normalised %.3f, of position %.3f ± %.3f; %.1f %% inside",
		h.stations, effective, 1e3*math.Sqrt(h.square/h.stations), 1e3*math.Sqrt(h.stated/h.stations), normalised, position, sigma, 100*inside)
	if math.Abs(position-1) > 3*sigma || math.Abs(normalised-1) > 3*sigma {
		t.Errorf("squared errors over what is stated %.3f, of position %.3f: want 1 ± %.3f", normalised, position, 3*sigma)
	}
	if spread := 3 * math.Sqrt(0.95*0.05/effective); math.Abs(inside-0.95) > spread {
		t.Errorf("%.1f %% inside the 95 %% ellipsoids: want 95 ± %.1f %%", 100*inside, 100*spread)
	}
}

// The 95 % ellipsoids of poses over a plate of steel of relative permeability 19.
func TestMapMetalIsHonest(t *testing.T) {
	t.Parallel()
	all := honest(t, 3, 1, 60, 50, -0.15, (19.-1)/(19+1), correction.Options{Degree: 6})
	all.check(t)
}

// A map made with two sensors knows which one's coils are uncertain in which way.
func TestMapMetalOfTwoSensors(t *testing.T) {
	t.Parallel()
	all := honest(t, 1, 2, 80, 60, -0.15, (19.-1)/(19+1), correction.Options{Degree: 6})
	all.check(t)
}

func BenchmarkSolveOverMetal(b *testing.B) {
	p := newPlateBench(b, 1, 1, -0.1, (19.-1)/(19+1))
	for range 40 {
		p.station(b, 5e-5, 0.05*math.Pi/180)
	}
	m, err := MapMetal(&p.problem, calibration.Options{}, correction.Options{Degree: 8})
	if err != nil {
		b.Fatal(err)
	}
	for name, volume := range map[string]solver.Volume{"warm": middle, "cold": p.volume} {
		s, err := m.solver(0, volume)
		if err != nil {
			b.Fatal(err)
		}
		truth, c := p.observe(b, 0)
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if name == "warm" {
					s.Warm(c, truth)
				} else {
					s.Cold(c)
				}
			}
		})
	}
}
