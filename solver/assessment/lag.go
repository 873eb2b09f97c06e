package assessment

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/statistics"
)

// Motion is a true pose over time [s], with velocity [m/s] and angular velocity
// [rad/s] in the rig frame. It reports false outside of its times.
type Motion interface {
	At(t float64) (p rigid.Pose, velocity, angular r3.Vec, ok bool)
}

// Lag says how far a moving sensor's poses are behind the truth in time, and what
// error is left when that is corrected.
type Lag struct {
	N       int     `json:"n"`
	Seconds float64 `json:"lag_s"`       // positive: poses come late
	Sigma   float64 `json:"sigma_lag_s"` // one standard deviation, from the scatter of the errors
	// Correlation of positions with the truth at the lag, means taken out.
	Correlation float64 `json:"correlation"`

	PositionRMS    float64 `json:"position_rms_m"` // with the lag removed
	OrientationRMS float64 `json:"orientation_rms_rad"`
	Along          float64 `json:"along_path_rms_m"`  // component along the velocity
	Across         float64 `json:"across_path_rms_m"` // across it: the error of the path's shape
	SpeedRMS       float64 `json:"speed_rms_m_s"`
}

// leastCorrelation of positions from which they can be said to follow the truth.
const leastCorrelation = 0.5

// ErrNoMotion reports that a sensor rested, so that time can't be known.
var ErrNoMotion = errors.New("assessment: the sensor does not move enough to find a lag")

// FitLag finds the lag τ that makes estimate(t) ≈ truth(t − τ) + constant in the
// least squares sense, within ±reach [s]: a scan of the cross-correlation in
// steps, then Gauss–Newton. A constant difference of position is left free, as it is
// in a correlation.
func FitLag(samples []Sample, truth Motion, reach float64) (*Lag, error) {
	if len(samples) < 8 {
		return nil, fmt.Errorf("%w: %d poses", ErrNoMotion, len(samples))
	}
	var steps []float64
	for i := 1; i < len(samples); i++ {
		if d := samples[i].Time - samples[i-1].Time; d > 0 {
			steps = append(steps, d)
		}
	}
	slices.Sort(steps)
	step := max(statistics.Quantile(steps, 0.5)/2, reach/500)
	best, least := 0.0, math.Inf(1)
	for tau := -reach; tau <= reach*(1+1e-12); tau += step {
		if f := fitAt(samples, truth, tau); f.n >= len(samples)/2 && f.squares/float64(f.n) < least {
			best, least = tau, f.squares/float64(f.n)
		}
	}
	if math.IsInf(least, 1) {
		return nil, fmt.Errorf("%w: no lag within %g s leaves half of the poses inside of the truth's times", ErrNoMotion, reach)
	}
	var f lagFit
	for range 30 {
		f = fitAt(samples, truth, best)
		if f.n < 8 || !(f.slope > 0) {
			return nil, ErrNoMotion
		}
		move := f.push / f.slope
		best += move
		if math.Abs(move) < 1e-12 {
			break
		}
	}
	f = fitAt(samples, truth, best)
	l := &Lag{N: f.n, Seconds: best, Sigma: math.Sqrt(f.squares / float64(3*f.n-4) / f.slope)}
	l.Correlation = f.cross / math.Sqrt(f.seen*f.true)
	// A lag that the whole of its reach could not hold says nothing, nor does one
	// of poses that hardly follow the truth.
	if !(l.Sigma < reach) || math.Abs(best) > reach+step || !(l.Correlation > leastCorrelation) {
		return nil, ErrNoMotion
	}
	l.measure(samples, truth)
	return l, nil
}

// lagFit are sums at one lag, means taken out.
type lagFit struct {
	n                 int
	squares           float64 // of est − truth(t−τ)
	push, slope       float64 // Σ v·e and Σ v·v: moving τ by d moves e by +v·d
	cross, seen, true float64
}

func fitAt(samples []Sample, truth Motion, tau float64) lagFit {
	var f lagFit
	var sumE, sumV, sumS, sumT r3.Vec
	var ee, ve, vv, st, ss, tt float64
	for _, s := range samples {
		p, v, _, ok := truth.At(s.Time - tau)
		if !ok {
			continue
		}
		// Near the origin of the estimates the squares keep their digits.
		seen, known := r3.Sub(s.Estimate.Position, samples[0].Estimate.Position), r3.Sub(p.Position, samples[0].Estimate.Position)
		e := r3.Sub(seen, known)
		f.n++
		sumE, sumV, sumS, sumT = r3.Add(sumE, e), r3.Add(sumV, v), r3.Add(sumS, seen), r3.Add(sumT, known)
		ee, ve, vv = ee+r3.Norm2(e), ve+r3.Dot(v, e), vv+r3.Norm2(v)
		st, ss, tt = st+r3.Dot(seen, known), ss+r3.Norm2(seen), tt+r3.Norm2(known)
	}
	if f.n == 0 {
		return f
	}
	n := float64(f.n)
	f.squares = ee - r3.Norm2(sumE)/n
	// e(τ+d) = e(τ) + v·d: the squares are least where Σ v·e + d·Σ v·v = 0.
	f.push, f.slope = -(ve - r3.Dot(sumV, sumE)/n), vv-r3.Norm2(sumV)/n
	f.cross, f.seen, f.true = st-r3.Dot(sumS, sumT)/n, ss-r3.Norm2(sumS)/n, tt-r3.Norm2(sumT)/n
	return f
}

// measure fills the errors that are left with the lag removed.
func (l *Lag) measure(samples []Sample, truth Motion) {
	var place, turn, along, speed float64
	turns := 0
	for _, s := range samples {
		p, v, _, ok := truth.At(s.Time - l.Seconds)
		if !ok {
			continue
		}
		s.Truth = p
		s.Covariance = nil
		e := Of(s)
		place += r3.Norm2(e.Position)
		if !s.PlaceOnly {
			turn += r3.Norm2(e.Rotation)
			turns++
		}
		speed += r3.Norm2(v)
		if v != (r3.Vec{}) {
			a := r3.Dot(e.Position, r3.Unit(v))
			along += a * a
		}
	}
	n := float64(l.N)
	l.PositionRMS, l.OrientationRMS = math.Sqrt(place/n), math.Sqrt(turn/float64(turns))
	l.Along, l.Across = math.Sqrt(along/n), math.Sqrt(max(0, place-along)/n)
	l.SpeedRMS = math.Sqrt(speed / n)
}

// Frames counts what a series of evenly spaced windows should have had.
type Frames struct {
	Interval float64 `json:"interval_s"` // usual spacing
	Expected int     `json:"expected"`
	Dropped  int     `json:"dropped"`
	// LongestGap is the longest time between neighbours.
	LongestGap float64 `json:"longest_gap_s"`
}

// Dropped looks for gaps in rising times [s]. nil: too few, or not evenly spaced,
// such as stations.
func Dropped(times []float64) *Frames {
	if len(times) < 4 {
		return nil
	}
	steps := make([]float64, len(times)-1)
	for i := range steps {
		steps[i] = times[i+1] - times[i]
	}
	sorted := slices.Clone(steps)
	slices.Sort(sorted)
	f := &Frames{Interval: statistics.Quantile(sorted, 0.5), LongestGap: sorted[len(sorted)-1]}
	if !(f.Interval > 0) {
		return nil
	}
	even := 0
	for _, s := range steps {
		k := math.Round(s / f.Interval)
		if math.Abs(s/f.Interval-k) < 0.1 && k >= 1 {
			even++
		}
		f.Dropped += max(0, int(k)-1)
	}
	if even < len(steps)*3/4 {
		return nil
	}
	f.Expected = len(times) + f.Dropped
	return f
}
