package fieldmodels

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/variant/varianttest"
)

func TestMain(m *testing.M) { varianttest.Main(m) }

// drawLoops draws loops about the origin, as many as asked for.
func drawLoops(rng *rand.Rand, n int) (loops []*PlacedLoop) {
	unit := func() r3.Vec {
		return r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
	}
	for range n {
		loops = append(loops, &PlacedLoop{Loop: Loop{Radius: 0.02 + 0.05*rng.Float64(), Turns: 10 + 50*rng.Float64()}, Center: r3.Scale(0.2, unit()), Axis: unit()})
	}
	return loops
}

// Every kernel against Gradient of each loop, the sums over the points written out
// as they are defined: for sets that are not full, points on an axis, near a wire
// and far away.
func TestLoopSetMatchesGradient(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	vector := func(size float64) r3.Vec {
		return r3.Vec{X: size * rng.NormFloat64(), Y: size * rng.NormFloat64(), Z: size * rng.NormFloat64()}
	}
	for level := range coupleLoopsKernel.Each() {
		for trial := range 400 {
			loops := drawLoops(rng, 1+trial%LoopSetSize)
			set := NewLoopSet(loops)
			p := FluxPickup{Axis: r3.Unit(vector(1))}
			p.Moment = r3.Scale(0.004, p.Axis)
			points := make([]FluxPoint, 1+rng.IntN(9))
			for k := range points {
				at := vector(0.15 * math.Pow(10, rng.Float64()))
				switch l := loops[rng.IntN(len(loops))]; rng.IntN(8) {
				case 0:
					at = r3.Add(l.Center, r3.Scale(rng.NormFloat64(), l.Axis))
				case 1:
					at = r3.Add(l.Center, r3.Scale(l.Loop.Radius*(1+0.1*rng.Float64()), r3.Unit(r3.Cross(l.Axis, vector(1)))))
				}
				points[k] = FluxPoint{At: at, Arm: vector(0.01), Value: rng.NormFloat64(), Slope: 0.004 * rng.NormFloat64(), Deriv: rng.NormFloat64()}
			}
			var got LoopFlux
			set.Flux(&got, &p, points)
			for i, l := range loops {
				var want, size [7]float64
				near := math.Inf(1)
				for _, q := range points {
					b, j, err := l.Gradient(q.At)
					if err != nil {
						t.Fatal(err)
					}
					n := p.Moment
					g := r3.Vec{X: j[0][0]*n.X + j[1][0]*n.Y + j[2][0]*n.Z, Y: j[0][1]*n.X + j[1][1]*n.Y + j[2][1]*n.Z, Z: j[0][2]*n.X + j[1][2]*n.Y + j[2][2]*n.Z}
					turn := r3.Add(r3.Cross(n, b), r3.Cross(q.Arm, g))
					want[0] += q.Value*r3.Dot(n, b) + q.Slope*r3.Dot(p.Axis, g)
					for c, v := range [3][2]float64{{g.X, turn.X}, {g.Y, turn.Y}, {g.Z, turn.Z}} {
						want[1+c] += q.Deriv * v[0]
						want[4+c] += q.Deriv * v[1]
					}
					field, slope := r3.Norm(b)*r3.Norm(n), j.Norm()*r3.Norm(n)
					size[0] += math.Abs(q.Value)*field + math.Abs(q.Slope)*slope
					for c := range 3 {
						size[1+c] += math.Abs(q.Deriv) * slope
						size[4+c] += math.Abs(q.Deriv) * (field + r3.Norm(q.Arm)*slope)
					}
					w, s, z := fromAxis(q.At, l.Center, l.Axis)
					wire := math.Hypot(math.Sqrt(s)-l.Loop.Radius, z)
					near = min(near, wire/(l.Loop.Radius+math.Abs(z)+r3.Norm(w)+r3.Norm(l.Center)))
				}
				have := [7]float64{got.Value[i]}
				for c := range 3 {
					have[1+c], have[4+c] = got.Position[c][i], got.Rotation[c][i]
				}
				// Some 2⁻⁵³ of each term in another order, and of the distances, which the
				// distance to the wire divides: twice for a gradient.
				for c := range have {
					if tol := 60 * 0x1p-53 * size[c] * (1 + 1/near); !(math.Abs(have[c]-want[c]) <= tol) {
						t.Fatalf("%s, trial %d, loop %d, number %d: %g, want %g ± %.1g", level.Name, trial, i, c, have[c], want[c], tol)
					}
				}
			}
		}
	}
}

// BenchmarkLoopSet reports gradients of loops: a loop at a point.
func BenchmarkLoopSet(b *testing.B) {
	rng := rand.New(rand.NewPCG(7, 8))
	set := NewLoopSet(drawLoops(rng, LoopSetSize))
	for _, n := range []int{1, 3, 5, 21} {
		points := make([]FluxPoint, n)
		for i := range points {
			points[i] = FluxPoint{At: r3.Vec{X: 0.4 + 0.004*rng.Float64(), Y: 0.3 + 0.004*rng.Float64()}, Value: 1, Deriv: 1}
		}
		p := FluxPickup{Moment: r3.Vec{Z: 0.004}, Axis: r3.Vec{Z: 1}}
		for level := range coupleLoopsKernel.Each() {
			b.Run(fmt.Sprintf("impl=%s/points=%d", level.Name, n), func(b *testing.B) {
				var f LoopFlux
				for b.Loop() {
					set.Flux(&f, &p, points)
				}
				b.ReportMetric(float64(n)*LoopSetSize*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mgradients/s")
			})
		}
	}
}
