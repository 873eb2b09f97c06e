package exposure

import (
	"context"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// directions are spread evenly over the sphere (a Fibonacci lattice), with those of
// the frame's axes and of axis.
func directions(axis r3.Vec) []r3.Vec {
	const n = 400
	var out []r3.Vec
	for k := range n {
		z := 1 - (2*float64(k)+1)/n
		s, c := math.Sincos(math.Pi * (3 - math.Sqrt(5)) * float64(k))
		r := math.Sqrt(1 - z*z)
		out = append(out, r3.Vec{X: r * c, Y: r * s, Z: z})
	}
	axis = r3.Unit(axis)
	return append(out, axis, r3.Scale(-1, axis), r3.Vec{X: 1}, r3.Vec{X: -1}, r3.Vec{Y: 1}, r3.Vec{Y: -1}, r3.Vec{Z: 1}, r3.Vec{Z: -1})
}

// edge is how far from the centre of emitter i, in the direction d, no other emitter's centre is
// nearer [m]; infinite where that holds all the way.
func (b *Bench) edge(i int, d r3.Vec) float64 {
	edge := math.Inf(1)
	for _, e := range b.emitters {
		// |r·d − s| ≥ |r·d| where r ≤ s²/(2 d·s).
		s := r3.Sub(e.Center, b.emitters[i].Center)
		if along := r3.Dot(d, s); along > 0 {
			edge = min(edge, r3.Norm2(s)/(2*along))
		}
	}
	return edge
}

// Reach is how far from a coil's centre the field of all tones exceeds a level.
type Reach struct {
	Emitter   string
	DistanceM float64 // the farthest point whose nearest coil is this one; 0: nowhere
	At        r3.Vec  // that point [m]
}

// reachStep is the factor between distances tried, reachBisections how often
// the last crossing is halved: to a ten-millionth.
const (
	reachStep       = 1.03
	reachBisections = 18
	reachFrom       = 1e-3 // [m]
)

// limit is a distance [m] from any centre at which the ratio is below 1 for
// certain: far away every coil is a dipole or less, its field on the axis twice
// that beside it, and falls at least with the third power.
func (b *Bench) limit(ctx context.Context, g Group) float64 {
	spread := 0.0
	for _, e := range b.emitters {
		spread = math.Max(spread, r3.Norm(r3.Sub(e.Center, b.emitters[0].Center)))
	}
	far := 1e3 * (1 + spread)
	most := 0.0
	for _, d := range directions(b.emitters[0].Axis) {
		if ctx.Err() != nil {
			break
		}
		most = math.Max(most, b.At(r3.Add(b.emitters[0].Center, r3.Scale(far, d))).Ratio[g])
	}
	return 2*spread + 2*far*math.Cbrt(most) + 0.5
}

// Reaches returns for each emitter how far from its centre the ratio of the whole
// bench is above 1, over 406 directions, at points that no other coil's centre is
// nearer to. Between directions, 9° apart, the distance may be larger by about
// 1 %. It ends with ctx.
func (b *Bench) Reaches(ctx context.Context, g Group) ([]Reach, error) {
	out := make([]Reach, len(b.emitters))
	limit := b.limit(ctx, g)
	for i, e := range b.emitters {
		out[i].Emitter = e.Name
		for _, d := range directions(e.Axis) {
			at := func(r float64) r3.Vec { return r3.Add(e.Center, r3.Scale(r, d)) }
			above := func(r float64) bool { return b.At(at(r)).Ratio[g] > 1 }
			// From outside in: the first distance above is the last.
			edge := min(limit, b.edge(i, d))
			for r := edge; min(edge, r*reachStep) > math.Max(reachFrom, out[i].DistanceM); r /= reachStep {
				if err := ctx.Err(); err != nil {
					return nil, err
				}
				if !above(r) {
					continue
				}
				lo, hi := r, min(edge, r*reachStep)
				for n := 0; n < reachBisections && lo < hi; n++ {
					if mid := (lo + hi) / 2; above(mid) {
						lo = mid
					} else {
						hi = mid
					}
				}
				if lo > out[i].DistanceM {
					out[i].DistanceM, out[i].At = lo, at(lo)
				}
				break
			}
		}
	}
	return out, nil
}

// Largest returns the largest field at a distance [m] from the nearest coil's
// centre, quantity by quantity, over 406 directions from each. It ends with ctx.
func (b *Bench) Largest(ctx context.Context, distance float64) (Field, error) {
	var most Field
	for i, e := range b.emitters {
		for _, d := range directions(e.Axis) {
			if err := ctx.Err(); err != nil {
				return most, err
			}
			if b.edge(i, d) < distance {
				continue
			}
			f := b.At(r3.Add(e.Center, r3.Scale(distance, d)))
			most.PeakT, most.RMST = math.Max(most.PeakT, f.PeakT), math.Max(most.RMST, f.RMST)
			for k := range f.Ratio {
				most.Ratio[k] = math.Max(most.Ratio[k], f.Ratio[k])
			}
		}
	}
	return most, nil
}
