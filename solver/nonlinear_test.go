package solver

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/fieldmodels/rigid"
)

// With ten times the noise of the fixed problems the model of one coil bends
// within its uncertainty at many poses. Where Nonlinearity says so, the linear
// 95 % region holds the truth too seldom, and the profile-likelihood intervals
// still do as stated; where it says no, the linear region is right.
//
// A share of n poses has a standard deviation of at most √(0.95·0.05/n); the
// three intervals of one pose count as one.
func TestNonlinearity(t *testing.T) {
	p, sigma := bench(t, 8, 5)
	sigma *= 10
	s, err := New(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(77, 1))
	limit := distuv.ChiSquared{K: 5}.Quantile(0.95)
	type count struct{ poses, region, intervals int }
	var bent, straight count
	for range 8000 {
		pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
		y := observe(t, s, pose, sigma, r)
		res := s.Warm(y, pose)
		if res.Status != Converged {
			continue
		}
		k := s.Nonlinearity(y, &res)
		c := &straight
		switch {
		case k > 0.05 && k < 2*NonlinearityLimit:
			continue
		case k > NonlinearityLimit:
			c = &bent
		}
		c.poses++
		e := deviation(s, pose, res.Pose)
		if mahalanobis(t, s, &res.Covariance, &e) < limit {
			c.region++
		}
		if c == &straight {
			continue
		}
		truth := array(pose.Position)
		for axis := range 3 {
			low, high, err := s.Interval(y, &res, axis, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			if low <= truth[axis] && truth[axis] <= high {
				c.intervals++
			}
		}
	}
	share := func(n, of int) float64 { return float64(n) / float64(of) }
	t.Logf("bent: %d poses, region %.3f, intervals %.3f; straight: %d, region %.3f",
		bent.poses, share(bent.region, bent.poses), share(bent.intervals, 3*bent.poses), straight.poses, share(straight.region, straight.poses))
	if bent.poses < 200 || straight.poses < 200 {
		t.Fatalf("%d bent and %d straight poses: too few to tell", bent.poses, straight.poses)
	}
	bound := func(n int) float64 { return 4 * math.Sqrt(0.95*0.05/float64(n)) }
	if v := share(straight.region, straight.poses); math.Abs(v-0.95) > bound(straight.poses) {
		t.Errorf("linear region of straight poses holds %.3f, want 0.95 ± %.3f", v, bound(straight.poses))
	}
	if v := share(bent.region, bent.poses); v > 0.95-bound(bent.poses) {
		t.Errorf("linear region of bent poses holds %.3f: Nonlinearity flags poses that need no flag", v)
	}
	if v := share(bent.intervals, 3*bent.poses); math.Abs(v-0.95) > bound(bent.poses) {
		t.Errorf("intervals of bent poses hold %.3f, want 0.95 ± %.3f", v, bound(bent.poses))
	}
}

// In a nearly straight problem the interval is the linear one: 1.96 sigma either
// way for 95 %.
func TestIntervalLinear(t *testing.T) {
	p, tasks := fixedProblem(t, 6, knownDipole)
	for i := range p.Sensor.Coils { // the interval is that of their centroid
		p.Sensor.Coils[i].Center = p.Sensor.Coils[0].Center
		p.Sensor.Coils[i].Center.X, p.Sensor.Coils[i].Center.Y, p.Sensor.Coils[i].Center.Z = 0, 0, 0
	}
	s, err := New(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 5))
	for _, task := range tasks[:20] {
		y := observe(t, s, task.truth, 0.1e-9, r)
		res := s.Warm(y, task.truth)
		for axis := range 3 {
			low, high, err := s.Interval(y, &res, axis, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			at := array(res.Pose.Position)[axis]
			half := 1.959964 * math.Sqrt(res.Covariance[axis][axis])
			// The bend within two sigmas, of second order in noise over distance.
			if math.Abs((high-at)/half-1) > 0.01 || math.Abs((at-low)/half-1) > 0.01 {
				t.Errorf("interval −%g +%g, linear ±%g", at-low, high-at, half)
			}
		}
	}
}
