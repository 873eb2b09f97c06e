package calibrate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/growth"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/calibration"
	"tonepose/solver/trajectory"
)

// metalledBench is the bench of a rig file, built a little differently, near
// metal, with what a device of given sigmas tells of its stations. Invented data.
type metalledBench struct {
	problem calibration.Problem
	built   []*solver.Solver // simulate the sensors
	volume  solver.Volume
	random  *rand.Rand
}

// nearby is what metal adds to a loop's field.
type nearby func(loop *fieldmodels.PlacedLoop) fieldmodels.Source

// plate is a large one at a height [m]: it adds the loop's image, times
// (μr − 1)/(μr + 1) for a thick permeable plate, −1 for a perfect conductor.
func plate(height, share float64) nearby {
	return func(l *fieldmodels.PlacedLoop) fieldmodels.Source {
		return fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: l.Loop.Radius, Turns: l.Loop.Turns * math.Abs(share)},
			r3.Vec{X: l.Center.X, Y: l.Center.Y, Z: 2*height - l.Center.Z}, r3.Scale(math.Copysign(1, share), r3.Vec{X: -l.Axis.X, Y: -l.Axis.Y, Z: l.Axis.Z}))
	}
}

// steel is of relative permeability 19.
const steel = (19. - 1) / (19 + 1)

// newMetalledBench builds every loop 1.5 mm, 1.5° and 2 % off, coil axes 1° and
// areas 3 %. Every sensor has the coils of the rig's, built anew.
func newMetalledBench(t testing.TB, seed uint64, sensors int, near nearby) *metalledBench {
	t.Helper()
	r, err := rig.Load(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "pipe-bench.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := &metalledBench{volume: r.Volume(), random: rand.New(rand.NewPCG(seed, 77))}
	draw(r, &b.problem)
	var array fieldmodels.Array
	for _, e := range b.problem.Emitters {
		move := rigid.Pose{Rotation: rigid.Exp(b.vector(1.5 * math.Pi / 180))}
		move.Position = r3.Sub(r3.Add(e.Center, b.vector(1.5e-3)), rigid.Rotate(move.Rotation, e.Center))
		loop := *fieldmodels.Place(e.Source, move).(*fieldmodels.PlacedLoop)
		loop.Loop.Turns *= 1 + 0.02*b.random.NormFloat64()
		array.Emitters = append(array.Emitters, fieldmodels.Emitter{Name: e.Name, Source: fieldmodels.Sum{&loop, near(&loop)}, Center: loop.Center, Axis: loop.Axis})
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

func (b *metalledBench) vector(sigma float64) r3.Vec {
	return r3.Vec{X: sigma * b.random.NormFloat64(), Y: sigma * b.random.NormFloat64(), Z: sigma * b.random.NormFloat64()}
}

// observe takes couplings of a sensor somewhere in the middle of the working volume, with
// the noise of a rest of 20 ms: 5 pH at 10 kHz.
func (b *metalledBench) observe(t testing.TB, sensor int) (rigid.Pose, solver.Couplings) {
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
func (b *metalledBench) station(t testing.TB, sigmaPosition, sigmaRotation float64) {
	t.Helper()
	n := len(b.problem.Stations)
	sensor := n % len(b.built)
	pose, c := b.observe(t, sensor)
	b.problem.Stations = append(b.problem.Stations, calibration.Station{Name: fmt.Sprint(n), Sensor: sensor,
		Reference: pose.Plus(b.vector(sigmaPosition), b.vector(sigmaRotation)), SigmaPosition: sigmaPosition, SigmaRotation: sigmaRotation,
		Couplings: c, Quadrature: make([]float64, len(c.Value))})
}

// The 95 % ellipsoids of poses over a plate of steel.
func TestMapMetalIsHonest(t *testing.T) {
	t.Parallel()
	all := honest(t, 3, 1, 60, 50, plate(-0.15, steel), correction.Options{Degree: 6})
	all.check(t)
}

// A map made with two sensors knows which one's coils are uncertain in which way.
func TestMapMetalOfTwoSensors(t *testing.T) {
	t.Parallel()
	all := honest(t, 1, 2, 80, 60, plate(-0.15, steel), correction.Options{Degree: 6})
	all.check(t)
}

// A map over a plate of steel, of one sensor: stations mapped a second.
// The more stations the finer a map they resolve, so that growth is that of a map of one
// degree.
func BenchmarkMapMetal(b *testing.B) {
	for _, stations := range []float64{80, 1000} {
		b.Run(fmt.Sprintf("stations=%g", stations), func(b *testing.B) {
			mapping := mapMetal(b, stations, 0)
			for b.Loop() {
				if err := mapping(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(stations*float64(b.N)/b.Elapsed().Seconds(), "stations/s")
		})
		if testing.Short() {
			break
		}
	}
	b.Run("degree=8", func(b *testing.B) {
		growth.Row{Length: "stations", First: 125, Rate: "stations/s", Prepare: func(b *testing.B, stations float64) func() error {
			return mapMetal(b, stations, 8)
		}}.Run(b)
	})
}

// mapMetal maps metal with a map of a degree, 0 for the one that the stations resolve.
func mapMetal(b *testing.B, stations float64, degree int) func() error {
	bench := newMetalledBench(b, 1, 1, plate(-0.15, steel))
	for range int(stations) {
		bench.station(b, 5e-5, 1e-3)
	}
	return func() error {
		_, err := MapMetal(&bench.problem, calibration.Options{Free: calibration.DefaultFree}, correction.Options{Degree: degree})
		return err
	}
}

func BenchmarkSolveOverMetal(b *testing.B) {
	p := newMetalledBench(b, 1, 1, plate(-0.1, steel))
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

// A sensor that rests is no better known for many windows than the map is.
func TestMapErrorsLast(t *testing.T) {
	t.Parallel()
	const rests, windows = 30, 12
	b := newMetalledBench(t, 5, 1, plate(-0.15, steel))
	for range 60 {
		b.station(t, 5e-5, 0.05*math.Pi/180)
	}
	m, err := MapMetal(&b.problem, calibration.Options{}, correction.Options{Degree: 6})
	if err != nil {
		t.Fatal(err)
	}
	s, err := m.solver(0, middle)
	if err != nil {
		t.Fatal(err)
	}
	var square, position float64
	var truths []rigid.Pose
	var gains []*mat.Dense
	for range rests {
		truth, first := b.observe(t, 0)
		var frames []trajectory.Frame
		for w := range windows {
			c := solver.Couplings{Value: slices.Clone(first.Value), Variance: slices.Clone(first.Variance)}
			if err := b.built[0].Evaluate(truth, c.Value, nil); err != nil {
				t.Fatal(err)
			}
			for i, v := range c.Variance {
				c.Value[i] += math.Sqrt(v) * b.random.NormFloat64()
			}
			frames = append(frames, trajectory.Frame{Time: 0.02 * float64(w), Couplings: c})
		}
		track, err := trajectory.Run(t.Context(), s, frames, trajectory.Options{Smooth: true, PositionNoise: 1e-9, RotationNoise: 1e-9})
		if err != nil {
			t.Fatal(err)
		}
		state := &track.States[windows/2]
		dp, _ := state.Pose.Minus(truth)
		cov, whole := mat.NewSymDense(3, nil), mat.NewSymDense(6, nil)
		for i := range 6 {
			for k := i; k < 6; k++ {
				whole.SetSym(i, k, state.Covariance[i][k])
				if k < 3 {
					cov.SetSym(i, k, state.Covariance[i][k])
				}
			}
		}
		off := overCovariance(t, cov, mat.NewVecDense(3, []float64{dp.X, dp.Y, dp.Z}))
		square += off / 3 / rests
		position += r3.Norm2(dp) / rests
		truths, gains = append(truths, truth), append(gains, gain(t, s, first, truth, whole))
	}
	sigma := math.Sqrt(scatter(t, s, truths, gains))
	t.Logf("%.3f mm, squared error over covariance %.2f ± %.2f", 1e3*math.Sqrt(position), square, sigma)
	if math.Abs(square-1) > 4*sigma {
		t.Errorf("squared error over covariance %.2f: want 1 ± %.2f", square, 4*sigma)
	}
}
