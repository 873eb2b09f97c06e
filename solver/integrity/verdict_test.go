package integrity

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver"
)

// The estimated error covers the true one: with simulated metal of four kinds
// and three conductivities, at random places about the bench.
func TestErrorCoversMetal(t *testing.T) {
	s := newBench(t)
	x := inspector(t, s)
	r := rand.New(rand.NewPCG(5, 5))
	for kind, name := range []string{"sphere", "ring", "plate", "steel sphere"} {
		covered, turned, n, flagged, missed := 0, 0, 0, 0, 0
		var ratio []float64
		for n < 200 {
			pose := randomPose(r)
			o := observe(s, pose, r, randomMetal(r, kind, pose.Position, s.Problem()))
			res := s.Warm(o.Couplings, pose)
			if res.Status != solver.Converged {
				continue
			}
			v, err := x.Verdict(&o, &res, false)
			if err != nil {
				t.Fatal(err)
			}
			dp, dr := pose.Minus(res.Pose)
			noise := within95 * widest(&res.Covariance, 0)
			harmful := r3.Norm2(dp) > 9*noise
			if v.Distorted {
				flagged++
			} else if harmful {
				missed++
			}
			if !harmful && !v.Distorted {
				continue
			}
			n++
			if r3.Norm(dp) <= v.PositionError {
				covered++
			}
			if r3.Norm(dr) <= v.RotationError {
				turned++
			}
			ratio = append(ratio, r3.Norm(dp)/v.PositionError)
		}
		slices.Sort(ratio)
		fmt.Printf("%s: position %d rotation %d of %d, flagged %d, missed %d; ratio 50%% %.2f 95%% %.2f max %.2f\n", name, covered, turned, n, flagged, missed, ratio[n/2], ratio[n*95/100], ratio[n-1])
	}
}
