package frequencyplan

import (
	"context"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/floats"
)

// SchroederPhases returns phases [rad] of low crest factor for tones in rising
// order: φ_k = −2π·Σ_{j<k} (k−j)·p_j, p the relative powers; for N equal
// amplitudes −πk(k−1)/N.
//
// Source: Schroeder, Synthesis of low-peak-factor signals and binary sequences
// with low autocorrelation, IEEE Trans. Information Theory 16 (1970).
func SchroederPhases(amplitudes []float64) []float64 {
	total := 0.0
	for _, a := range amplitudes {
		total += a * a
	}
	phases := make([]float64, len(amplitudes))
	phase, power := 0.0, 0.0 // the slope of the phase is the power so far
	for k, a := range amplitudes {
		phases[k] = math.Remainder(phase, 2*math.Pi)
		power += a * a / total
		phase -= 2 * math.Pi * power
	}
	return phases
}

// NewmanPhases returns the phases π(k−1)²/n [rad], k = 1 … n, of low crest factor
// for n equal tones in rising order.
//
// Source: as in Boyd, Multitone signals with low crest factor, IEEE Trans.
// Circuits and Systems 33 (1986).
func NewmanPhases(n int) []float64 {
	phases := make([]float64, n)
	for k := range phases {
		phases[k] = math.Remainder(math.Pi*float64(k)*float64(k)/float64(n), 2*math.Pi)
	}
	return phases
}

// LowCrest returns phases [rad], within ±π, of a crest factor as low as it can
// find, and that factor: never above those of Schroeder's and Newman's phases,
// its starts beside six random ones. Arguments as in CrestFactor. Equal calls
// give equal phases.
//
// The work is bounded, so that it ends within some seconds: from a period of about a
// second on, fewer starts are descended from.
//
// It minimises the mean of x^p for rising p, which tends to the peak, by
// descents along the gradient. When the context ends, so does the search, with its
// error.
//
// Source: Guillaume, Schoukens, Pintelon, Kollár, Crest-factor minimization using
// nonlinear Chebyshev approximation methods, IEEE Trans. Instrumentation and
// Measurement 40 (1991).
func LowCrest(ctx context.Context, hz, amplitudes []float64, windowS float64) (phases []float64, crest float64, err error) {
	m, err := newMultisine(hz, amplitudes, windowS)
	if err != nil {
		return nil, 0, err
	}
	starts := [][]float64{SchroederPhases(amplitudes), NewmanPhases(len(amplitudes))}
	random := rand.New(rand.NewPCG(1, 0x6372657374))
	for range 6 {
		s := make([]float64, len(amplitudes))
		for k := range s {
			s[k] = 2 * math.Pi * random.Float64()
		}
		starts = append(starts, s)
	}
	crest = math.Inf(1)
	consider := func(p []float64) {
		if c := m.crest(p); c < crest {
			crest, phases = c, append([]float64(nil), p...)
		}
	}
	f := newPowerMean(m)
	perCrest := m.length(16) * len(m.orders)
	for i, s := range starts {
		if f.work += perCrest; i > 1 && f.over() {
			break
		}
		consider(s)
		if f.work += perCrest; !f.over() {
			consider(f.descend(ctx, s))
		}
		if err := ctx.Err(); err != nil {
			return nil, 0, err
		}
	}
	for k := range phases {
		phases[k] = math.Remainder(phases[k], 2*math.Pi)
	}
	return phases, crest, nil
}

// powerMean is ln(mean((x/rms)^p))/p as a function of the phases.
type powerMean struct {
	*sampler
	p    int // a power of two
	work int // samples times tones, made or correlated
	sums []complex128
}

// crestEffort bounds the work of LowCrest; a thousand million take about 1.5 s.
const crestEffort = 3_000_000_000

// over tells that the work is done.
func (f *powerMean) over() bool { return f.work > crestEffort }

func newPowerMean(m *multisine) *powerMean {
	return &powerMean{sampler: m.sampler(m.length(5)), sums: make([]complex128, len(m.orders))}
}

// descend minimises for rising even p from the given phases, along the gradient
// with steps of Barzilai and Borwein (IMA J. Numerical Analysis 8, 1988), each
// halved until it does not lead above the worst of the last four values. It ends
// where it is when the context does.
func (f *powerMean) descend(ctx context.Context, start []float64) []float64 {
	n := len(start)
	at, next := append([]float64(nil), start...), make([]float64, n)
	slope, after := make([]float64, n), make([]float64, n)
	for _, f.p = range []int{4, 8, 16, 32, 64, 128} {
		last := [4]float64{f.value(at)}
		for i := range last {
			last[i] = last[0]
		}
		if f.gradient(slope, at); f.over() {
			return at
		}
		step := 0.1 / (floats.Norm(slope, 2) + 1e-12)
		for i := range 40 {
			v := math.Inf(1)
			for range 20 {
				if ctx.Err() != nil || f.over() {
					return at
				}
				floats.AddScaledTo(next, at, -step, slope)
				if v = f.value(next); v <= max(last[0], last[1], last[2], last[3]) {
					break
				}
				step /= 2
			}
			f.gradient(after, next)
			last[i%4] = v
			// step = s·s/s·y with s the way and y the change of the gradient.
			var ss, sy float64
			for k := range next {
				s, y := next[k]-at[k], after[k]-slope[k]
				ss += s * s
				sy += s * y
			}
			at, next, slope, after = next, at, after, slope
			if ss < 1e-16 {
				break
			}
			if step *= 2; sy > 0 {
				step = ss / sy
			}
		}
	}
	return at
}

// power is u^p.
func (f *powerMean) power(u float64) float64 {
	for p := f.p; p > 1; p /= 2 {
		u *= u
	}
	return u
}

func (f *powerMean) value(phases []float64) float64 {
	f.work += f.n * len(phases)
	sum := 0.0
	f.samples(phases, nil, func(_ int, x []float64) {
		for _, v := range x {
			sum += f.power(v / f.rms)
		}
	})
	return math.Log(sum/float64(f.n)) / float64(f.p)
}

// gradient: ∂/∂φ_k mean(x^p) = mean(p·x^(p−1)·(−a_k·sin(2πn_k·t + φ_k))), and the
// means are correlations of x^(p−1) with the tones.
func (f *powerMean) gradient(dst, phases []float64) {
	f.work += 2 * f.n * len(phases)
	sum := 0.0
	f.samples(phases, f.sums, func(_ int, x []float64) {
		for i, v := range x {
			u := v / f.rms
			w := f.power(u)
			sum += w
			if x[i] = 0; u != 0 {
				x[i] = w / u
			}
		}
	})
	for k, of := range f.sums {
		s, c := math.Sincos(phases[k])
		// Σ w·sin(θ+φ) with Σ w·e^{−jθ}: Im(e^{jφ}·conj).
		dst[k] = -f.amplitudes[k] / f.rms * (s*real(of) - c*imag(of)) / sum
	}
}
