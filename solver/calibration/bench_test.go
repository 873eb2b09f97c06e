package calibration

import (
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// invented is a small bench of our own: tilted loops around a pipe and a probe
// with coils of 4 mm radius. What was built differs from the drawing by truth.
type invented struct {
	problem Problem // as drawn, tolerances stated; stations to be filled
	free    Group
	truth   []float64 // of the columns
	sigma   float64   // of a coupling [H]
	rng     *rand.Rand
}

func gaussian(rng *rand.Rand, sigma float64) r3.Vec {
	return r3.Vec{X: sigma * rng.NormFloat64(), Y: sigma * rng.NormFloat64(), Z: sigma * rng.NormFloat64()}
}

func newInvented(free Group, seed uint64) *invented {
	v := &invented{free: free, sigma: 2e-12, rng: rand.New(rand.NewPCG(seed, 7))}
	for i := range 6 {
		sin, cos := math.Sincos(float64(i) * math.Pi / 3)
		center := r3.Vec{X: 0.15 * cos, Y: 0.15 * sin, Z: 0.01 * float64(i%3)}
		axis := r3.Unit(r3.Vec{X: 0.5 * math.Cos(float64(2*i)), Y: 0.5 * math.Sin(float64(2*i)), Z: 1})
		v.problem.Emitters = append(v.problem.Emitters, Emitter{
			Emitter: fieldmodels.Emitter{
				Name: fmt.Sprintf("e%d", i+1), Center: center, Axis: axis,
				Source: fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.03, Turns: 40}, center, axis),
			},
			Hz:        5000 + 1300*float64(i),
			Tolerance: EmitterTolerance{Position: 1e-3, Axis: 0.02, Strength: 0.02},
		})
	}
	probe := Sensor{
		Name: "probe", Marker: rigid.Pose{Position: r3.Vec{X: 0.01, Z: -0.02}, Rotation: rigid.Exp(r3.Vec{X: 0.3, Y: -0.2, Z: 0.1})},
		MarkerTolerance: MotionTolerance{Position: 1e-3, Rotation: 0.01},
	}
	for i := range 3 {
		var axis [3]float64
		axis[i] = 1
		axis[(i+1)%3] = 0.1
		probe.Coils = append(probe.Coils, Coil{
			Coil: mutual.Coil{
				Center: r3.Vec{X: 0.004 * float64(i), Y: 0.003, Z: -0.002 * float64(i)},
				Axis:   r3.Unit(vecAt(axis[:], 0)), AreaTurns: 0.004, Radius: 0.004,
			},
			Channel:   i,
			Tolerance: CoilTolerance{Axis: 0.02, Position: 5e-4, Sensitivity: 0.03},
		})
		v.problem.Channels = append(v.problem.Channels, Channel{
			Name: fmt.Sprintf("rx%d", i+1), Tolerance: ChannelTolerance{Gain: 0.01, Phase: 0.02, Delay: 5e-7},
		})
	}
	v.problem.Sensors = []Sensor{probe}
	v.problem.Frame = rigid.Pose{Position: r3.Vec{X: 0.02, Y: -0.01, Z: 0.3}, Rotation: rigid.Exp(r3.Vec{X: math.Pi, Y: 0.02})}
	v.problem.FrameTolerance = MotionTolerance{Position: 2e-3, Rotation: 0.01}
	v.problem.CrosstalkTolerance = 1e-10
	return v
}

// draw chooses what was built, from the tolerances, and takes the given number
// of stations of it: noise times sigma on couplings, references off by their
// sigmas times noise.
func (v *invented) draw(stations int, noise float64) {
	v.problem.Stations = nil
	n := len(v.problem.Emitters) * len(v.problem.Sensors[0].Coils)
	for s := range stations {
		pose := rigid.Pose{
			Position: r3.Vec{X: 0.2 * (v.rng.Float64() - 0.5), Y: 0.2 * (v.rng.Float64() - 0.5), Z: 0.12 + 0.15*v.rng.Float64()},
			Rotation: rigid.Normalize(quat.Number{Real: v.rng.NormFloat64(), Imag: v.rng.NormFloat64(), Jmag: v.rng.NormFloat64(), Kmag: v.rng.NormFloat64()}),
		}
		v.problem.Stations = append(v.problem.Stations, Station{
			Name: fmt.Sprintf("s%d", s+1), Reference: pose, SigmaPosition: 1e-4, SigmaRotation: 1e-3,
			Couplings:  solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)},
			Quadrature: make([]float64, n),
		})
		for k := range n {
			v.problem.Stations[s].Couplings.Variance[k] = v.sigma * v.sigma
		}
	}
	l := newLayout(&v.problem, v.free)
	v.truth = make([]float64, len(l.columns))
	for i, c := range l.columns {
		sigma := c.prior
		if sigma == 0 {
			sigma = c.size
		}
		v.truth[i] = sigma * v.rng.NormFloat64()
	}
	v.measure(noise)
}

// measure fills the stations with what the true bench shows at the poses that
// stand in Reference, and puts the references there.
func (v *invented) measure(noise float64) {
	f := v.fit()
	copy(f.x, v.truth)
	f.bench.update(f.problem, f.layout, f.x)
	for s := range v.problem.Stations {
		st := &v.problem.Stations[s]
		pose := st.Reference
		f.poses[s] = pose
		for k := range f.offset[s+1] - f.offset[s] {
			f.data[f.offset[s]+k] = observed{weight: 1}
		}
		rows, err := f.rows(make([]float64, len(f.normal.a)), s)
		if err != nil {
			panic(err)
		}
		predicted := f.residuals(rows, s)
		n := len(st.Couplings.Value)
		for k := range n {
			st.Couplings.Value[k] = predicted[k] + noise*v.sigma*v.rng.NormFloat64()
			if f.complex {
				st.Quadrature[k] = predicted[n+k] + noise*v.sigma*v.rng.NormFloat64()
			}
		}
		// stated = F·T·K must be the pose but for the reference's own error.
		stated := pose.Plus(gaussian(v.rng, noise*st.SigmaPosition), gaussian(v.rng, noise*st.SigmaRotation))
		st.Reference = f.bench.frame.Inverse().Compose(stated).Compose(f.bench.markers[st.Sensor].Inverse())
	}
}

func (v *invented) fit() *fit {
	f, err := newFit(&v.problem, Options{Free: v.free})
	if err != nil {
		panic(err)
	}
	return f
}

const everything Group = 1<<numGroups - 1

// unmeasured takes the reference poses away; a first guess of 2 mm and 1°
// stays.
func (v *invented) unmeasured() {
	for s := range v.problem.Stations {
		st := &v.problem.Stations[s]
		st.Reference = st.Reference.Plus(gaussian(v.rng, 0.002), gaussian(v.rng, 0.02))
		st.SigmaPosition, st.SigmaRotation = math.Inf(1), math.Inf(1)
	}
}

// built is the true centre of an emitter.
func (v *invented) built(emitter int) r3.Vec {
	f := v.fit()
	copy(f.x, v.truth)
	f.bench.update(f.problem, f.layout, f.x)
	return f.bench.emitters[emitter].center
}

// dipoleLike is a dipole of an emitter's moment.
func dipoleLike(e *Emitter) fieldmodels.Source {
	return &fieldmodels.PlacedDipole{Center: e.Center, Moment: r3.Scale(40*math.Pi*0.03*0.03, e.Axis)}
}

// off is a parameter's error.
func (v *invented) off(res *Result, i int) float64 {
	truth, _ := res.fit.layout.columns[i].change(v.truth[i])
	p := res.Parameters[i]
	return p.After - p.Before - truth
}

// share lets the couplings of a station share a relative error of each emitter's
// current.
func (v *invented) share(station int, relative float64) {
	c := &v.problem.Stations[station].Couplings
	coils := len(c.Value) / len(v.problem.Emitters)
	c.Common = make([]float64, len(v.problem.Emitters))
	for e := range c.Common {
		c.Common[e] = relative * relative
	}
	for k, m := range c.Value {
		c.Variance[k] += c.Common[k/coils] * m * m
	}
}
