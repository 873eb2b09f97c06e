package trajectory

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// bends is a random curve that the spline can follow exactly: control points
// that step at random about the bench's middle.
func bends(span, knots float64, rng *rand.Rand) *curve {
	c := newCurve(0, span, knots)
	p := rigid.Pose{Position: r3.Vec{Z: 0.17}, Rotation: rigid.Exp(r3.Vec{X: 0.4})}
	for i := range c.control {
		draw := func(s float64) r3.Vec {
			return r3.Vec{X: s * rng.NormFloat64(), Y: s * rng.NormFloat64(), Z: s * rng.NormFloat64()}
		}
		p = p.Plus(r3.Add(draw(0.01), r3.Scale(0.1, r3.Sub(r3.Vec{Z: 0.17}, p.Position))), draw(0.1))
		c.control[i] = p
	}
	return c
}

// Derivatives by control points against central differences: h = 1e-5 leaves
// h² = 1e-10 of truncation and 1e-16/h = 1e-11 of rounding.
func TestCurveDerivatives(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	c := bends(1, 0.1, rng)
	for i := range c.control { // large turns between control points too
		c.control[i].Rotation = rigid.Exp(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
	}
	const h = 1e-5
	for range 50 {
		at := rng.Float64()
		var d [order]weight
		_, segment := c.at(at, &d)
		for j := range order {
			for k := range 6 {
				var ends [2]rigid.Pose
				for side, s := range []float64{h, -h} {
					step := make([]float64, 6*len(c.control))
					step[6*(segment+j)+k] = s
					ends[side], _ = c.move(step).at(at, nil)
				}
				dp, dr := ends[0].Minus(ends[1])
				for i := range 6 {
					got := component(dp, i%3) / (2 * h)
					if i >= 3 {
						got = component(dr, i%3) / (2 * h)
					}
					want := 0.0
					switch {
					case i >= 3 && k >= 3:
						want = d[j].turn[i-3][k-3]
					case i == k:
						want = d[j].place
					}
					if math.Abs(got-want) > 1e-8 {
						t.Fatalf("t=%.3f control %d ∂%d/∂%d: %g by differences, %g", at, j, i, k, got, want)
					}
				}
			}
		}
	}
}

func component(v r3.Vec, i int) float64 { return [3]float64{v.X, v.Y, v.Z}[i] }

// The basis sums to one everywhere, and a curve whose control points move
// evenly moves evenly: both are exact properties of uniform B-splines.
func TestCurveFollowsAStraightMotion(t *testing.T) {
	c := newCurve(0, 1, 0.05)
	w, v := r3.Vec{X: 0.3, Y: -0.2, Z: 1}, r3.Vec{X: 0.1, Y: 0.2, Z: -0.3}
	for i := range c.control {
		s := c.center(i)
		c.control[i] = rigid.Pose{Position: r3.Scale(s, v), Rotation: rigid.Exp(r3.Scale(s, w))}
	}
	for s := 0.0; s <= 1; s += 0.013 {
		p, _ := c.at(s, nil)
		dp, dr := p.Minus(rigid.Pose{Position: r3.Scale(s, v), Rotation: rigid.Exp(r3.Scale(s, w))})
		if r3.Norm(dp) > 1e-14 || r3.Norm(dr) > 1e-14 {
			t.Fatalf("t=%.3f: off by %v, %v", s, dp, dr)
		}
		velocity, turn := c.rates(s)
		if r3.Norm(r3.Sub(velocity, v)) > 1e-9 || r3.Norm(r3.Sub(turn, w)) > 1e-9 {
			t.Fatalf("t=%.3f: rates %v, %v", s, velocity, turn)
		}
	}
}

func curveFrames(t *testing.T, s *solver.Solver, c *curve, n int, dt, sigma float64, rng *rand.Rand) ([]Frame, []motion) {
	var path []motion
	for i := range n {
		p, _ := c.at(float64(i)*dt, nil)
		path = append(path, motion{pose: p})
	}
	return observe(t, s, path, dt, sigma, rng), path
}

// With the true knots the fit is efficient and honest: normalised errors have
// mean 1. Each of some 20 segments is worth six independent components a run:
// over 6 runs 4·√(2/720) = 21 %.
func TestSplineConsistent(t *testing.T) {
	const n, dt, sigma, runs = 120, 5e-3, 3e-11, 6
	s := bench(t, 3)
	var sum float64
	for run := range runs {
		rng := rand.New(rand.NewPCG(3, uint64(run)))
		truth := bends((n-1)*dt, 0.03, rng)
		frames, path := curveFrames(t, s, truth, n, dt, sigma, rng)
		track, err := Spline(t.Context(), s, frames, Options{Knots: 0.03})
		if err != nil {
			t.Fatal(err)
		}
		sum += nees(track.States, path) / runs
	}
	if math.Abs(sum-1) > 0.21 {
		t.Errorf("normalised error %.3f", sum)
	}
}

// A foreign window is left out of the curve, and knots too close are thinned to what
// windows tell apart: half of their distance.
func TestSplineLeavesOutAForeignWindow(t *testing.T) {
	const n, dt, sigma = 200, 5e-3, 3e-11
	s := bench(t, 3)
	rng := rand.New(rand.NewPCG(4, 4))
	truth := bends((n-1)*dt, 0.04, rng)
	frames, path := curveFrames(t, s, truth, n, dt, sigma, rng)
	for k := range frames[77].Couplings.Value {
		frames[77].Couplings.Value[k] *= 1.3
	}
	track, err := Spline(t.Context(), s, frames, Options{Knots: 1e-4})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(track.Knots-dt/2) > 1e-12 {
		t.Errorf("knots every %g s of windows every %g s", track.Knots, dt)
	}
	if !track.States[77].Passed {
		t.Error("the foreign window was fitted")
	}
	// 200 windows of hardly any smoothing: six components each, 1 ± 4·√(2/1200).
	if sum := nees(track.States, path); math.Abs(sum-1) > 0.17 {
		t.Errorf("normalised error %.3f", sum)
	}
}

func TestSplineFiveDegrees(t *testing.T) {
	const n, dt, sigma = 100, 5e-3, 1e-11
	s := bench(t, 1)
	rng := rand.New(rand.NewPCG(5, 5))
	frames, path := curveFrames(t, s, bends((n-1)*dt, 0.05, rng), n, dt, sigma, rng)
	track, err := Spline(t.Context(), s, frames, Options{Knots: 0.05})
	if err != nil {
		t.Fatal(err)
	}
	var sum float64
	for i, st := range track.States {
		d := r3.Sub(st.Pose.Position, path[i].pose.Position)
		sum += (d.X*d.X/st.Covariance[0][0] + d.Y*d.Y/st.Covariance[1][1] + d.Z*d.Z/st.Covariance[2][2]) / (3 * n)
	}
	if sum > 2 { // ten segments, three components: 1 + 4·√(2/30)
		t.Errorf("normalised position error %.2f", sum)
	}
}

// newCurve covers from to with knots step apart, all control points at rest in
// a pose.
func newCurve(from, to, step float64) *curve {
	segments := max(1, int(math.Ceil((to-from)/step-1e-9)))
	c := &curve{start: from, step: step, control: make([]rigid.Pose, segments+order-1)}
	// centred: what the last knot overhangs is shared by both ends
	c.start -= (float64(segments)*step - (to - from)) / 2
	return c
}

// What is joined piece by piece is what is joined at once: what lies beyond a piece's
// margins counts for less than e^(−10), 5e-5, of what a window tells. The sensor is not seen
// at first, and leaps once.
func TestInPieces(t *testing.T) {
	const n, dt = 2600, 5e-3
	const unseen, leap = 600, 1700
	s := bench(t, 3)
	rng := rand.New(rand.NewPCG(6, 5))
	at := wander(0.3, 2, rng)
	var path []motion
	for i := range n {
		path = append(path, motion{pose: at(float64(i) * dt)})
		if i >= leap {
			path[i].pose.Position.Y += 0.02
		}
	}
	frames := observe(t, s, path, dt, 5e-13, rng)
	for i := range unseen {
		for k := range frames[i].Couplings.Variance {
			frames[i].Couplings.Variance[k] = math.Inf(1)
		}
	}
	for name, o := range map[string]Options{"smoother": {Smooth: true}, "spline": {Spline: true}} {
		var all [2][]State
		for k := range all {
			j, err := NewJoiner(t.Context(), s, Frames(frames), o)
			if err != nil {
				t.Fatal(err)
			}
			if j.margin > n/8 {
				t.Fatalf("%s: a margin of %d windows: the test shows nothing", name, j.margin)
			}
			if j.piece = 3 * block; k == 0 {
				j.margin = 2 * n // all at once
			}
			for {
				states, err := j.Next()
				if err != nil {
					t.Fatal(err)
				}
				if len(states) == 0 {
					break
				}
				all[k] = append(all[k], states...)
			}
			if most := 4*j.margin + 2*j.piece + 3*smoothPiece; k == 1 && len(j.frames) > most {
				t.Errorf("%s: %d windows in memory, want at most %d", name, len(j.frames), most)
			}
		}
		if len(all[0]) != n || len(all[1]) != n {
			t.Fatalf("%s: %d and %d states of %d windows", name, len(all[0]), len(all[1]), n)
		}
		for i := range all[0] {
			a, b := &all[0][i], &all[1][i]
			if a.Time != frames[i].Time || b.Time != a.Time {
				t.Fatalf("%s: window %d at %g s has states of %g and %g s", name, i, frames[i].Time, a.Time, b.Time)
			}
			if a.Unknown != (i < unseen) || b.Unknown != a.Unknown {
				t.Fatalf("%s: window %d: unknown is %v and %v", name, i, a.Unknown, b.Unknown)
			}
			if a.Unknown {
				continue
			}
			if a.Passed != b.Passed {
				t.Fatalf("%s: window %d: passed over is %v and %v", name, i, a.Passed, b.Passed)
			}
			dp, _ := a.Pose.Minus(b.Pose)
			// At an end the variance is six times that inside: e^(−10)·√6 = 1e-4 of a sigma
			// arrives, and what the tolerance of the fit leaves.
			if off := over(a.Covariance, []float64{dp.X, dp.Y, dp.Z}); off > 1e-6 || math.Abs(b.Covariance[0][0]/a.Covariance[0][0]-1) > 1e-3 {
				t.Fatalf("%s: window %d: squared distance %.2g sigma², sigma %.3g and %.3g m", name, i, off, math.Sqrt(a.Covariance[0][0]), math.Sqrt(b.Covariance[0][0]))
			}
		}
	}
}
