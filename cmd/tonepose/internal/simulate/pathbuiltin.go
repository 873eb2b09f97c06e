package simulate

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/rigid"
)

// BuiltinPaths names the paths that BuiltinPath makes.
var BuiltinPaths = []string{"stations", "sweep"}

const (
	dwellS   = 0.08 // rest at a station
	moveS    = 0.02 // between stations
	sweepS   = 3.0  // default length of a sweep
	gridSide = 3    // stations a side
	// inset keeps built-in paths inside the middle of the working volume, whose
	// far corners few benches resolve.
	inset = 0.6
)

// BuiltinPath makes a path for the sensors of a rig inside its working volume:
// "stations" visits a grid of 27 points, at each in a random orientation, and
// "sweep" is a smooth free motion of the given duration (0: 3 s). Sensors
// differ, as seeds do.
func BuiltinPath(name string, r *rig.Rig, duration float64, seed uint64) (*Path, error) {
	lowest, highest := r.WorkingVolume.Min, r.WorkingVolume.Max
	center := r3.Scale(0.5, r3.Add(lowest, highest))
	half := r3.Scale(0.5*inset, r3.Sub(highest, lowest))
	knots := quickKnots
	if name == "sweep" {
		knots = slowKnots
	}
	return newPath(r.SensorNames(), knots, func(i int, s string) (Track, error) {
		random := rand.New(rand.NewPCG(seed, 0x70617468+uint64(i)))
		switch name {
		case "stations":
			return newStationTrack(s, gridStations(center, half, i, random))
		case "sweep":
			return Track{Sensor: s, motion: newSweepMotion(center, half, random), last: cmp.Or(duration, sweepS)}, nil
		}
		return Track{}, fmt.Errorf("no built-in path %q: name a CSV file, %q or %q", name, BuiltinPaths[0], BuiltinPaths[1])
	})
}

// gridStations visits the grid row by row, forth and back, sensor i starting
// some stations later than the one before it, so that two never have one position.
func gridStations(center, half r3.Vec, sensor int, random *rand.Rand) []Station {
	const n = gridSide * gridSide * gridSide
	out := make([]Station, n)
	for s := range out {
		at := (s + 5*sensor) % n
		x, y, z := at%gridSide, at/gridSide%gridSide, at/gridSide/gridSide
		if y%2 == 1 {
			x = gridSide - 1 - x
		}
		if z%2 == 1 {
			y = gridSide - 1 - y
		}
		unit := func(i int) float64 { return 2*float64(i)/(gridSide-1) - 1 }
		start := float64(s) * (dwellS + moveS)
		out[s] = Station{start, start + dwellS, rigid.Pose{
			Position: r3.Add(center, r3.Vec{X: half.X * unit(x), Y: half.Y * unit(y), Z: half.Z * unit(z)}),
			Rotation: randomRotation(random),
		}}
	}
	return out
}

// randomRotation is uniform over all rotations: four Gaussians, normalised.
func randomRotation(r *rand.Rand) quat.Number {
	q := quat.Number{Real: r.NormFloat64(), Imag: r.NormFloat64(), Jmag: r.NormFloat64(), Kmag: r.NormFloat64()}
	return rigid.Normalize(q)
}

// sweepMotion moves along each axis as a sum of two sines of 0.2 to 0.7 Hz, and rotates
// likewise by up to a radian about each axis from a random orientation.
type sweepMotion struct {
	center, half      r3.Vec
	start             quat.Number
	slow, fast, phase [6]float64 // angular frequencies [rad/s]; phases at time zero [rad]
}

func newSweepMotion(center, half r3.Vec, random *rand.Rand) *sweepMotion {
	s := &sweepMotion{center: center, half: half}
	for i := range s.phase {
		s.slow[i] = 2 * math.Pi * (0.2 + 0.15*random.Float64())
		s.fast[i] = 2 * math.Pi * (0.5 + 0.2*random.Float64())
		s.phase[i] = 2 * math.Pi * random.Float64()
	}
	s.start = randomRotation(random)
	return s
}

// At implements movement: rotation Exp(θ)·start, angular velocity Jl(θ)·θ̇ with Jl the
// left Jacobian.
func (s *sweepMotion) At(t float64) (p rigid.Pose, velocity, angular r3.Vec) {
	var x, dx [6]float64
	for i := range x {
		sin, cos := math.Sincos(s.slow[i]*t + s.phase[i])
		sin2, cos2 := math.Sincos(s.fast[i]*t + 2*s.phase[i])
		x[i], dx[i] = 0.75*sin+0.25*sin2, 0.75*s.slow[i]*cos+0.25*s.fast[i]*cos2
	}
	p.Position = r3.Add(s.center, r3.Vec{X: s.half.X * x[0], Y: s.half.Y * x[1], Z: s.half.Z * x[2]})
	velocity = r3.Vec{X: s.half.X * dx[0], Y: s.half.Y * dx[1], Z: s.half.Z * dx[2]}
	turn := r3.Vec{X: x[3], Y: x[4], Z: x[5]}
	p.Rotation = quat.Mul(rigid.Exp(turn), s.start)
	jacobian := rigid.LeftJacobian(turn)
	return p, velocity, rigid.MulVec(&jacobian, r3.Vec{X: dx[3], Y: dx[4], Z: dx[5]})
}
