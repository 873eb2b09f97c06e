package stability

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Statistic is a member of the Allan family. N is the number of phases, m that of
// averaged values, τ = m·tau0, d³x and so on the differences of phases m apart.
type Statistic int

const (
	// Allan is the original: Σ(d²x)²/(2τ²·terms) over stretches laid end to end.
	Allan Statistic = iota + 1
	// Overlapping is the same over all N−2m stretches, SP 1065 eq. (11): the
	// default choice.
	Overlapping
	// Modified averages m neighbouring second differences first, eq. (14): it tells
	// white from flicker PM.
	Modified
	// Time is τ/√3 times Modified, eq. (15) [unit of the phase].
	Time
	// Hadamard takes third differences, Σ(d³x)²/(6τ²·terms), over stretches laid end
	// to end: it does not see a linear drift of the values.
	Hadamard
	// OverlappingHadamard is the same over all N−3m stretches, eq. (20).
	OverlappingHadamard
)

// differences returns the order of the difference of phases.
func (k Statistic) differences() int {
	if k == Hadamard || k == OverlappingHadamard {
		return 3
	}
	return 2
}

// Point is one deviation.
type Point struct {
	TauS      float64  // m·tau0 [s]
	Deviation float64  // [unit of the values; of the phase for Time]
	Lo, Hi    float64  // confidence bounds of Deviation
	dof       float64  // equivalent degrees of freedom
	noise     powerLaw // the power law that dof is for
	known     bool     // the noise was identified at this τ; else it is that of the last τ where it could be
}

// Deviations computes the statistic for each number of averaged values, with bounds
// that hold the true deviation with the confidence (0.95), by χ² with the
// degrees of freedom of the noise found in the data. Numbers for which the series
// has no difference are left out.
func Deviations(s Series, k Statistic, averages []int, confidence float64) ([]Point, error) {
	if k < Allan || k > OverlappingHadamard {
		return nil, fmt.Errorf("stability: statistic %d: want Allan … OverlappingHadamard", int(k))
	}
	if !(confidence > 0 && confidence < 1) {
		return nil, fmt.Errorf("stability: confidence %g: must lie between 0 and 1", confidence)
	}
	var out []Point
	noise := whiteFM
	for _, m := range averages {
		if m < 1 {
			return nil, fmt.Errorf("stability: average of %d values: must be at least 1", m)
		}
		variance, terms := k.variance(s, m)
		if terms == 0 {
			continue
		}
		p := Point{TauS: float64(m) * s.tau0, Deviation: math.Sqrt(variance)}
		if n, ok := identify(s, m, k.differences()); ok {
			noise, p.known = n, true
		}
		p.noise = noise
		// Missing terms shorten the series as far as its information goes.
		full := k.terms(len(s.x), m)
		n := len(s.x)
		if terms < full {
			n = max(k.span(m), k.span(m)+int(float64(n-k.span(m))*float64(terms)/float64(full)))
		}
		p.dof = freedom(k, noise, m, n)
		chi := distuv.ChiSquared{K: p.dof}
		p.Lo = p.Deviation * math.Sqrt(p.dof/chi.Quantile((1+confidence)/2))
		p.Hi = p.Deviation * math.Sqrt(p.dof/chi.Quantile((1-confidence)/2))
		out = append(out, p)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%w between gaps for the averages asked", errTooShort)
	}
	return out, nil
}

// span returns how many phases one difference covers.
func (k Statistic) span(m int) int {
	if k == Modified || k == Time {
		return 3 * m
	}
	return k.differences()*m + 1
}

// terms returns the number of differences in n phases without gaps.
func (k Statistic) terms(n, m int) int {
	if n < k.span(m) {
		return 0
	}
	switch k {
	case Allan, Hadamard:
		return (n-1)/m - k.differences() + 1
	}
	return n - k.span(m) + 1
}

// variance returns the square of the deviation and the number of terms in it: squares
// of differences, or of running sums of m neighbouring ones.
func (k Statistic) variance(s Series, m int) (float64, int) {
	order, norm := k.differences(), 2.0
	if order == 3 {
		norm = 6
	}
	difference := func(i int) (d float64, ok bool) {
		if order == 3 {
			d = s.x[i+3*m] - 3*s.x[i+2*m] + 3*s.x[i+m] - s.x[i]
		} else {
			d = s.x[i+2*m] - 2*s.x[i+m] + s.x[i]
		}
		return d, !math.IsNaN(d) && s.whole(i, i+order*m)
	}
	stride, width := 1, 1
	switch k {
	case Allan, Hadamard:
		stride = m
	case Modified, Time:
		width = m
	}
	running, missing := 0.0, 0
	sum, terms := 0.0, 0
	for i := 0; i+order*m < len(s.x); i += stride {
		if d, ok := difference(i); ok {
			running += d
		} else {
			missing++
		}
		if i < width-1 {
			continue
		}
		if missing == 0 {
			sum += running * running
			terms++
		}
		if d, ok := difference(i - width + 1); ok {
			running -= d
		} else {
			missing--
		}
	}
	tau := float64(m) * s.tau0
	variance := sum / (norm * tau * tau * float64(width) * float64(width) * float64(terms))
	if k == Time {
		variance *= tau * tau / 3
	}
	return variance, terms
}
