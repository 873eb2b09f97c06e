package integrity

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"tonepose/solver"
	"tonepose/solver/leastsquares"
)

func TestExploreRobust(t *testing.T) {
	s := newBench(t)
	x, _ := New(s)
	for _, loss := range []leastsquares.Loss{leastsquares.Huber{}, leastsquares.Cauchy{}, leastsquares.Tukey{}} {
		for bad := range 4 {
			r := rand.New(rand.NewPCG(7, 1))
			sum, scale, inside, plain := 0.0, 0.0, 0, 0.0
			const n = 400
			for range n {
				pose := randomPose(r)
				o := observe(s, pose, r, nil)
				for range bad {
					i := r.IntN(24)
					o.Value[i] += 30 * sigmas(3)[i] * float64(2*r.IntN(2)-1)
				}
				res := s.Warm(o.Couplings, pose)
				rob, err := x.Robust(o.Couplings, &res, loss)
				if err != nil || rob.Status != solver.Converged {
					t.Fatal(err, rob.Status)
				}
				e := normalised(&rob.Result, pose)
				sum += e / 6
				if e < 12.59 {
					inside++
				}
				plain += normalised(&res, pose) / 6
				scale += rob.Scale
			}
			fmt.Printf("%T bad %d: mean %.3f inside95 %.3f scale %.2f plain %.1f\n", loss, bad, sum/n, float64(inside)/n, scale/n, plain/n)
		}
	}
}
