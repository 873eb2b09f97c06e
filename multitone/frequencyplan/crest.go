package frequencyplan

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// multisine is Σ amplitude·cos(2π·order·t + phase) over one period.
type multisine struct {
	orders     []int
	amplitudes []float64
	rms        float64
}

// maxOrder bounds the length of a period.
const maxOrder = 1 << 17

// newMultisine reduces tones that are multiples of 1/windowS to their own
// shortest common period.
func newMultisine(hz, amplitudes []float64, windowS float64) (*multisine, error) {
	if len(hz) == 0 || len(hz) != len(amplitudes) {
		return nil, &SpecError{"amplitudes", len(amplitudes), fmt.Sprintf("want one for each of %d tones, at least one", len(hz))}
	}
	if !(windowS > 0) || math.IsInf(windowS, 1) {
		return nil, &SpecError{"WindowS", windowS, "must be positive and finite"}
	}
	m := &multisine{amplitudes: amplitudes}
	common := 0
	for k, f := range hz {
		n := math.Round(f * windowS)
		if !(n >= 1) || math.Abs(f*windowS-n) > slack {
			return nil, &SpecError{"tone", f, fmt.Sprintf("must be a positive multiple of 1/%g s", windowS)}
		}
		if !(amplitudes[k] > 0) || math.IsInf(amplitudes[k], 1) {
			return nil, &SpecError{"amplitude", amplitudes[k], "must be positive and finite"}
		}
		m.orders = append(m.orders, int(n))
		common = gcd(common, int(n))
		m.rms += amplitudes[k] * amplitudes[k] / 2
	}
	m.rms = math.Sqrt(m.rms)
	for k := range m.orders {
		m.orders[k] /= common
	}
	if top := slices.Max(m.orders); top > maxOrder {
		return nil, &SpecError{"WindowS", windowS, fmt.Sprintf("makes a tone the %d. harmonic of the common period, at most %d: shorten it", top, maxOrder)}
	}
	return m, nil
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// length is the number of samples a period: perCycle to a cycle of the highest tone.
func (m *multisine) length(perCycle int) int { return perCycle * slices.Max(m.orders) }

// stretch is how many samples are made at a time: so few that they and all tones'
// cosines and sines over them stay in the nearest cache.
const stretch = 128

// sampler makes the samples of a period, a stretch at a time: a tone's over a stretch
// are those over the first, rotated.
type sampler struct {
	*multisine
	n        int
	cos, sin [][]float64  // of 2π·order·i/n, by tone, over the first stretch
	turn     []complex128 // of each tone over a stretch
}

func (m *multisine) sampler(n int) *sampler {
	s := &sampler{multisine: m, n: n}
	for _, order := range m.orders {
		cos, sin := make([]float64, stretch), make([]float64, stretch)
		for i := range cos {
			sin[i], cos[i] = math.Sincos(s.angle(order, i))
		}
		s.cos, s.sin = append(s.cos, cos), append(s.sin, sin)
		s.turn = append(s.turn, cmplx.Rect(1, s.angle(order, stretch)))
	}
	return s
}

// angle is that of a tone at sample i, exact in whole periods.
func (s *sampler) angle(order, i int) float64 {
	return 2 * math.Pi * float64(order*i%s.n) / float64(s.n)
}

// samples visits the period's samples with the first one's index. each may overwrite
// them; what it leaves is then correlated with each tone: sums[k] gains
// Σ x·e^{−2πj·order·i/n}. Nil sums: it is not.
func (s *sampler) samples(phases []float64, sums []complex128, each func(first int, x []float64)) {
	at := make([]complex128, len(phases)) // of each tone at the stretch's first sample
	for k, phase := range phases {
		at[k] = cmplx.Rect(1, phase)
		if sums != nil {
			sums[k] = 0
		}
	}
	from := slices.Repeat([]complex128{1}, len(phases)) // without its phase
	var buffer [stretch]float64
	for first := 0; first < s.n; first += stretch {
		x := buffer[:min(stretch, s.n-first)]
		clear(x)
		for k, a := range s.amplitudes {
			floats.AddScaled(x, a*real(at[k]), s.cos[k][:len(x)])
			floats.AddScaled(x, -a*imag(at[k]), s.sin[k][:len(x)])
			at[k] *= s.turn[k]
		}
		each(first, x)
		if sums == nil {
			continue
		}
		for k := range sums {
			sum := complex(floats.Dot(x, s.cos[k][:len(x)]), -floats.Dot(x, s.sin[k][:len(x)]))
			sums[k] += sum * cmplx.Conj(from[k])
			from[k] *= s.turn[k]
		}
	}
}

// CrestFactor returns the peak of |Σ amplitude·cos(2π·hz·t + phase)| over its rms,
// over a period. Tones must be multiples of 1/windowS; amplitudes may be in any
// unit, phases are in radians.
//
// The peak is exact to rounding: on a grid of 16 points to the shortest cycle a
// local maximum lies below the true one by at most ½(π/16)² of the peak
// (Bernstein's inequality), and each that could be the peak is refined.
func CrestFactor(hz, amplitudes, phases []float64, windowS float64) (float64, error) {
	m, err := newMultisine(hz, amplitudes, windowS)
	if err != nil {
		return 0, err
	}
	if len(phases) != len(hz) {
		return 0, &SpecError{"phases", len(phases), fmt.Sprintf("want one for each of %d tones", len(hz))}
	}
	return m.crest(phases), nil
}

func (m *multisine) crest(phases []float64) float64 {
	n := m.length(16)
	x := make([]float64, n)
	peak := 0.0
	m.sampler(n).samples(phases, nil, func(first int, part []float64) {
		copy(x[first:], part)
		for _, v := range part {
			peak = max(peak, math.Abs(v))
		}
	})
	const loss = math.Pi * math.Pi / 2 / 256
	onGrid := peak
	for i, v := range x {
		before, after := math.Abs(x[(i+n-1)%n]), math.Abs(x[(i+1)%n])
		if v = math.Abs(v); v >= before && v >= after && v >= onGrid*(1-loss) {
			peak = math.Max(peak, m.refine(phases, float64(i)/float64(n), 1/float64(n)))
		}
	}
	return peak / m.rms
}

// refine returns |x| at the extremum near t (in periods), by Newton's method on
// the derivative, which may move by a grid step.
func (m *multisine) refine(phases []float64, t, step float64) float64 {
	from := t
	best := 0.0
	for range 8 {
		var x, dx, ddx float64
		for k, n := range m.orders {
			w := 2 * math.Pi * float64(n)
			s, c := math.Sincos(w*t + phases[k])
			x += m.amplitudes[k] * c
			dx -= m.amplitudes[k] * w * s
			ddx -= m.amplitudes[k] * w * w * c
		}
		best = math.Max(best, math.Abs(x))
		if ddx == 0 {
			break
		}
		t -= dx / ddx
		if math.Abs(t-from) > step {
			break
		}
	}
	return best
}
