package integrity

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/solver"
	"tonepose/solver/leastsquares"
)

var losses = []leastsquares.Loss{leastsquares.Huber{}, leastsquares.Cauchy{}, leastsquares.Tukey{}}

// robustly solves n random poses, of whose 24 couplings bad are off by 30
// sigmas, and returns the mean squared error in units of what is stated, the
// share of poses inside the stated 95 % region and the plain fit's mean.
func robustly(t *testing.T, loss leastsquares.Loss, bad, n int) (mean, inside, plain float64) {
	t.Helper()
	s := newBench(t)
	x := New(s)
	r := rand.New(rand.NewPCG(7, uint64(bad)))
	for range n {
		pose := randomPose(r)
		o := observe(s, pose, r, nil)
		for _, i := range r.Perm(len(o.Value))[:bad] {
			o.Value[i] += 30 * sigmas(3)[i] * float64(2*r.IntN(2)-1)
		}
		fit := s.Warm(o.Couplings, pose)
		robust, err := x.Robust(o.Couplings, &fit, loss)
		if err != nil || robust.Status != solver.Converged {
			t.Fatalf("%v, %v", err, robust.Status)
		}
		e := normalised(&robust.Result, pose)
		if e < 12.5916 { // the 95 % point of chi-square with six degrees of freedom
			inside++
		}
		mean += e / 6
		plain += normalised(&fit, pose) / 6
	}
	return mean / float64(n), inside / float64(n), plain / float64(n)
}

// Without wrong couplings a robust fit states its error as it is, if anything
// a little too large: its scale is never below one, and above it by chance.
func TestRobustIsHonestOnCleanData(t *testing.T) {
	const n = 400
	for _, loss := range losses {
		mean, inside, _ := robustly(t, loss, 0, n)
		// Four standard deviations of a mean of 6n unit squares above, and for
		// the scale, whose mean square is about 1.2, a quarter more below.
		scatter := 4 * math.Sqrt(2/(6.0*n))
		if mean > 1+scatter || mean < 1/1.25-scatter {
			t.Errorf("%T: mean squared error %.3f of what is stated", loss, mean)
		}
		if low := 0.95 - 4*math.Sqrt(0.95*0.05/n); inside < low {
			t.Errorf("%T: %.3f of the poses are inside their 95 %% region", loss, inside)
		}
	}
}

// Wrong couplings that double the plain fit's errors many times over hardly
// touch a robust one. Huber's loss only bounds their pull.
func TestRobustOutvotesWrongCouplings(t *testing.T) {
	const n = 300
	for _, loss := range losses {
		for _, bad := range []int{1, 2} {
			t.Run(fmt.Sprintf("%T/%d", loss, bad), func(t *testing.T) {
				_, inside, plain := robustly(t, loss, bad, n)
				// A wrong coupling of high leverage, one in some dozens, cannot
				// be told from a shift of the pose: 5 % more outside are allowed,
				// and four standard deviations.
				if inside < 0.90-4*math.Sqrt(0.9*0.1/n) {
					t.Errorf("%.3f of the poses are inside their 95 %% region", inside)
				}
				if plain < 10 {
					t.Errorf("plain squares err by %.1f of what they state only: the test is too easy", plain)
				}
			})
		}
	}
}

// More noise than is stated, alike in all couplings, ends up in the scale.
func TestRobustFindsTheScale(t *testing.T) {
	s := newBench(t)
	x := New(s)
	r := rand.New(rand.NewPCG(8, 1))
	sum, honest := 0.0, 0.0
	const n = 1000
	for range n {
		pose := randomPose(r)
		o := observe(s, pose, r, nil)
		for i, sigma := range sigmas(3) {
			o.Value[i] += math.Sqrt(5*5-1) * sigma * r.NormFloat64()
		}
		fit := s.Warm(o.Couplings, pose)
		robust, err := x.Robust(o.Couplings, &fit, leastsquares.Huber{})
		if err != nil {
			t.Fatal(err)
		}
		sum += robust.Scale / n
		if normalised(&robust.Result, pose) < 12.5916 {
			honest += 1.0 / n
		}
	}
	// The median of 24 residuals scatters by 1.17/√24 of itself (the sample
	// median of |z|: π/2 times the variance and more), and is biased low by
	// some per cent for so few.
	if math.Abs(sum/5-1) > 0.1 {
		t.Errorf("scale %.2f for 5", sum)
	}
	// The scale's own scatter widens the errors' distribution: squared errors
	// over it follow Fisher's F with 6 and, for the mean of squares of 24 − 6
	// residuals, 18 degrees of freedom, for which 95 % become 90 %; the median's
	// worth of them, about 7, would make it 82 %. The bounded squares lie between.
	if honest < 0.82-4*math.Sqrt(0.82*0.18/n) || honest > 0.95+4*math.Sqrt(0.95*0.05/n) {
		t.Errorf("%.3f of the poses are inside their 95 %% region", honest)
	}
}
