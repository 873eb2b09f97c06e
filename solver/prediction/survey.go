package prediction

import (
	"context"
	"math"
	"runtime"
	"slices"
	"sync"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Orientations returns n unit quaternions that are spread evenly over all
// rotations, best in multiples of twelve: the rotations of a tetrahedron, whose
// means up to second order are those of all rotations, each combined with the points
// of a spiral. Twelve of them take any direction to six, the first six take z to
// six.
//
// Source: Alexa, Super-Fibonacci spirals: fast, low-discrepancy sampling of SO(3),
// CVPR 2022; its constants are √2 and the positive root of ψ⁴ = ψ + 4.
func Orientations(n int) []quat.Number {
	third := quat.Number{Real: 0.5, Imag: 0.5, Jmag: 0.5, Kmag: 0.5}
	i, j, k := quat.Number{Imag: 1}, quat.Number{Jmag: 1}, quat.Number{Kmag: 1}
	var group []quat.Number
	for _, half := range [][]quat.Number{{{Real: 1}, i}, {j, k}} {
		turn := quat.Number{Real: 1}
		for range 3 {
			for _, h := range half {
				group = append(group, quat.Mul(turn, h))
			}
			turn = quat.Mul(turn, third)
		}
	}
	const psi = 1.533751168755204288118041
	spirals := (n + len(group) - 1) / len(group)
	out := make([]quat.Number, n)
	for m := range out {
		s := float64(m/len(group)) + 0.5
		r, R := math.Sqrt(s/float64(spirals)), math.Sqrt(1-s/float64(spirals))
		sa, ca := math.Sincos(2 * math.Pi * s / math.Sqrt2)
		sb, cb := math.Sincos(2 * math.Pi * s / psi)
		out[m] = quat.Mul(quat.Number{Real: r * sa, Imag: r * ca, Jmag: R * sb, Kmag: R * cb}, group[m%len(group)])
	}
	return out
}

// Grid returns n × n × n positions over a box, its faces included.
func Grid(v solver.Volume, n int) []r3.Vec {
	var out []r3.Vec
	for i := range n * n * n {
		out = append(out, within(v, share(i%n, n), share(i/n%n, n), share(i/(n*n), n)))
	}
	return out
}

// Slice returns columns × rows positions in the plane through the box's middle that
// is square to axis 0 (x: columns run along y, rows along z), 1 (y: along x and z)
// or 2 (z: along x and y), row by row from the lowest.
func Slice(v solver.Volume, axis, columns, rows int) []r3.Vec {
	across := [3][2]int{{1, 2}, {0, 2}, {0, 1}}[axis]
	var out []r3.Vec
	for i := range columns * rows {
		at := [3]float64{0.5, 0.5, 0.5}
		at[across[0]], at[across[1]] = share(i%columns, columns), share(i/columns, rows)
		out = append(out, within(v, at[0], at[1], at[2]))
	}
	return out
}

func share(i, n int) float64 {
	if n == 1 {
		return 0.5
	}
	return float64(i) / float64(n-1)
}

func within(v solver.Volume, x, y, z float64) r3.Vec {
	return r3.Vec{X: v.Min.X + x*(v.Max.X-v.Min.X), Y: v.Min.Y + y*(v.Max.Y-v.Min.Y), Z: v.Min.Z + z*(v.Max.Z-v.Min.Z)}
}

// Spot is what Survey found at one position. Poses that are not observable count in
// Blind alone.
type Spot struct {
	At            r3.Vec
	Orientations  int
	Blind         int
	PositionM     float64 // rms over the orientations [m]; +Inf when none is observable
	RotationRad   float64 // [rad]
	WorstM        float64 // in the worst observable orientation
	WorstRad      float64
	WorstRotation quat.Number // of WorstM

	bounds [][2]float64 // position and rotation of every observable pose
}

// Survey bounds the poses at all positions in all orientations, on all processors.
func (p *Predictor) Survey(ctx context.Context, places []r3.Vec, orientations []quat.Number) ([]Spot, error) {
	out := make([]Spot, len(places))
	next := make(chan int)
	var wait sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(places)) {
		worker := p.clone()
		wait.Go(func() {
			for i := range next {
				out[i] = worker.spot(places[i], orientations)
			}
		})
	}
	for i := range places {
		if ctx.Err() != nil {
			break
		}
		next <- i
	}
	close(next)
	wait.Wait()
	return out, ctx.Err()
}

func (p *Predictor) spot(at r3.Vec, orientations []quat.Number) Spot {
	s := Spot{At: at, Orientations: len(orientations)}
	var position, rotation float64
	for _, q := range orientations {
		b := p.At(rigid.Pose{Position: at, Rotation: q})
		if !b.Observable {
			s.Blind++
			continue
		}
		s.bounds = append(s.bounds, [2]float64{b.PositionM, b.RotationRad})
		position += b.PositionM * b.PositionM
		rotation += b.RotationRad * b.RotationRad
		if b.PositionM > s.WorstM {
			s.WorstM, s.WorstRotation = b.PositionM, q
		}
		s.WorstRad = math.Max(s.WorstRad, b.RotationRad)
	}
	n := float64(len(s.bounds))
	s.PositionM, s.RotationRad = math.Sqrt(position/n), math.Sqrt(rotation/n)
	if n == 0 {
		s.PositionM, s.RotationRad, s.WorstM, s.WorstRad = math.Inf(1), math.Inf(1), math.Inf(1), math.Inf(1)
	}
	return s
}

// Spread describes a deviation over all observable poses, in its unit.
type Spread struct {
	Mean   float64 // rms
	Median float64
	P95    float64
	Worst  float64
}

// Summary condenses a survey.
type Summary struct {
	Poses, Blind int
	Position     Spread     // [m]
	Rotation     Spread     // [rad]
	Best         Spot       // the position with the least position deviation
	Worst        rigid.Pose // the worst observable pose
	BlindAt      []r3.Vec   // positions with an orientation that is not observable
}

// Summarise condenses the spots of a survey.
func Summarise(spots []Spot) Summary {
	var s Summary
	var position, rotation []float64
	s.Best.PositionM = math.Inf(1)
	for i := range spots {
		p := &spots[i]
		s.Poses += p.Orientations
		s.Blind += p.Blind
		if p.Blind > 0 {
			s.BlindAt = append(s.BlindAt, p.At)
		}
		if p.PositionM < s.Best.PositionM {
			s.Best = *p
		}
		for _, b := range p.bounds {
			if b[0] > s.Position.Worst {
				s.Position.Worst = b[0]
				s.Worst = rigid.Pose{Position: p.At, Rotation: p.WorstRotation}
			}
			position, rotation = append(position, b[0]), append(rotation, b[1])
		}
	}
	s.Position, s.Rotation = spread(position), spread(rotation)
	return s
}

func spread(v []float64) Spread {
	if len(v) == 0 {
		return Spread{math.Inf(1), math.Inf(1), math.Inf(1), math.Inf(1)}
	}
	slices.Sort(v)
	sum := 0.0
	for _, x := range v {
		sum += x * x
	}
	q := func(p float64) float64 { return stat.Quantile(p, stat.LinInterp, v, nil) }
	return Spread{Mean: math.Sqrt(sum / float64(len(v))), Median: q(0.5), P95: q(0.95), Worst: v[len(v)-1]}
}
