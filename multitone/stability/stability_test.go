package stability

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// coloured makes n values with S_y ∝ f^α by shaping a spectrum over 4n and keeping a
// quarter, so that nothing is periodic. From white FM on, values are averages of 8
// finer ones, as they are of a continuous signal; PM noise has no such limit.
func coloured(rng *rand.Rand, n, alpha int) []float64 {
	fine := 1
	if alpha <= 0 {
		fine = 8
	}
	size := 4 * n * fine
	c := make([]complex128, size/2+1)
	for k := 1; k < len(c); k++ {
		a := math.Pow(2*math.Sin(math.Pi*float64(k)/float64(size)), float64(alpha)/2)
		c[k] = complex(a*rng.NormFloat64(), a*rng.NormFloat64())
	}
	y := fourier.NewFFT(size).Sequence(nil, c)
	for i := range n {
		sum := 0.0
		for _, v := range y[i*fine : (i+1)*fine] {
			sum += v
		}
		y[i] = sum / float64(fine)
	}
	return y[:n]
}

// var/mean² of the squared deviation over many series is 2/ν. 1500 trials leave that
// with √((2+12/ν)/1500) of scatter: four of them, and the 2 % that the shaped
// spectrum's discrete lines cost the reddest noises.
func TestFreedomMatchesScatter(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 4))
	const n, trials = 128, 1500
	for _, noise := range []powerLaw{whitePM, flickerPM, whiteFM, flickerFM, randomWalkFM} {
		var series []Series
		for range trials {
			series = append(series, mustValues(t, coloured(rng, n, int(noise)), 1))
		}
		for _, k := range []Statistic{Allan, Overlapping, Modified, Hadamard, OverlappingHadamard} {
			for _, m := range []int{1, 4, 16} {
				var sum, sum2 float64
				for _, s := range series {
					v, _ := k.variance(s, m)
					sum += v / trials
					sum2 += v * v / trials
				}
				dof := 2 * sum * sum / (sum2 - sum*sum)
				want := freedom(k, noise, m, n+1)
				tol := 4*math.Sqrt((2+12/want)/trials) + 0.02
				near(t, fmt.Sprintf("%v, %v, m=%d: ν over its theory", noise, k, m), dof/want, 1, tol)
			}
		}
	}
}

// The bounds hold the true deviation as often as they say. White noise of variance 1
// has an Allan deviation of 1/√m (SP 1065, Table 2). 1000 series at 90 % scatter by
// 1 %; a χ² law with ν from identified, not known, noise may cost another 2 %.
func TestBoundsHoldTheTruth(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 4))
	const trials = 1000
	for _, m := range []int{1, 8, 32} {
		inside := 0
		for range trials {
			y := make([]float64, 400)
			for i := range y {
				y[i] = 5 + rng.NormFloat64()
			}
			p, err := Deviations(mustValues(t, y, 0.1), Overlapping, []int{1, 2, 4, 8, m}, 0.9)
			if err != nil {
				t.Fatal(err)
			}
			last := p[len(p)-1]
			if truth := 1 / math.Sqrt(float64(m)); last.Lo < truth && truth < last.Hi {
				inside++
			}
		}
		near(t, fmt.Sprintf("coverage at m=%d", m), float64(inside)/trials, 0.9, 0.04+0.02)
	}
}

// At m = 1 a power law is recognised in nine of ten series of 512 values (ρ scatters
// by 1/√512 = 0.04, so α by 0.1), but for flicker FM, which averaging over tau0 makes
// look redder. At m = 8 only 65 phases are left, α scatters by 0.3 and the mean that
// is taken off biases it: the FM noises are then still the most frequent answer.
func TestIdentify(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, noise := range []powerLaw{whitePM, flickerPM, whiteFM, flickerFM, randomWalkFM} {
		var series []Series
		for range 200 {
			series = append(series, mustValues(t, coloured(rng, 512, int(noise)), 1))
		}
		for _, m := range []int{1, 8} {
			votes := map[powerLaw]int{}
			for _, s := range series {
				got, ok := identify(s, m, 2)
				if !ok {
					t.Fatalf("%v, m=%d: not identified", noise, m)
				}
				votes[got]++
			}
			if m == 1 && noise != flickerFM && votes[noise] < 180 {
				t.Errorf("%v recognised in %d of 200 series: %v", noise, votes[noise], votes)
			}
			for other, n := range votes {
				if noise <= whiteFM && n > votes[noise] {
					t.Errorf("%v at m=%d taken for %v in %d of 200 series: %v", noise, m, other, n, votes)
				}
			}
		}
	}
	if _, ok := identify(mustValues(t, make([]float64, 40), 1), 2, 2); ok {
		t.Error("noise identified from 21 phases")
	}
}

// A constant and, for Hadamard, a linear drift leave nothing; a drift D per second
// has the Allan deviation Dτ/√2 (SP 1065 section 5.2).
func TestDriftAndOffset(t *testing.T) {
	const tau0, drift = 0.5, 1e-6
	y := make([]float64, 300)
	for i := range y {
		y[i] = 1 + drift*tau0*float64(i)
	}
	s := mustValues(t, y, tau0)
	for _, k := range []Statistic{Allan, Overlapping, Modified} {
		p, err := Deviations(s, k, Octaves(s.Len()), 0.95)
		if err != nil {
			t.Fatal(err)
		}
		for _, q := range p {
			// y itself is rounded to 1e-16.
			near(t, fmt.Sprintf("%v τ=%g", k, q.TauS), q.Deviation, drift*q.TauS/math.Sqrt2, 1e-6*drift)
		}
	}
	p, err := Deviations(s, OverlappingHadamard, Octaves(s.Len()), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range p {
		if q.Deviation > 1e-6*drift {
			t.Errorf("Hadamard deviation %g of a linear drift", q.Deviation)
		}
	}
}

// With values missing, the statistic is that of the differences that remain: for a
// gap in the middle, the two halves' sums put together.
func TestGaps(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	y := make([]float64, 201)
	for i := range y {
		y[i] = rng.NormFloat64()
	}
	halves := []Series{mustValues(t, y[:100], 1), mustValues(t, y[101:], 1)}
	y[100] = math.NaN()
	s := mustValues(t, y, 1)
	x := append([]float64(nil), s.x...)
	for _, k := range []Statistic{Overlapping, Modified, Time, OverlappingHadamard} {
		for _, m := range []int{1, 3, 10} {
			var want float64
			var n int
			for _, h := range halves {
				v, terms := k.variance(h, m)
				want += v * float64(terms)
				n += terms
			}
			got, terms := k.variance(s, m)
			near(t, fmt.Sprintf("%v m=%d with a gap", k, m), got, want/float64(n), 1e-12)
			if terms != n {
				t.Errorf("%v m=%d: %d terms, want %d", k, m, terms, n)
			}
		}
	}
	// A missing phase reading costs only the differences that use it.
	x[50] = math.NaN()
	p, err := Phase(x, 1)
	if err != nil {
		t.Fatal(err)
	}
	if _, terms := Overlapping.variance(p, 7); terms != len(x)-14-3 {
		t.Errorf("%d terms with one phase missing, want %d", terms, len(x)-14-3)
	}
	if n, ok := identify(s, 1, 2); !ok || n != whiteFM {
		t.Errorf("noise with a gap: %v, %v", n, ok)
	}
	points, err := Deviations(s, Overlapping, Octaves(s.Len()), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := Deviations(mustValues(t, y[:100], 1), Overlapping, []int{1}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if !(points[0].dof > whole[0].dof && points[0].dof < 2.1*whole[0].dof) {
		t.Errorf("ν = %g with a gap, %g for one half", points[0].dof, whole[0].dof)
	}
}

func TestErrors(t *testing.T) {
	if _, err := Values([]float64{1, math.NaN()}, 1); !errors.Is(err, errTooShort) {
		t.Errorf("error %v, want ErrTooShort", err)
	}
	if _, err := Values([]float64{1, math.Inf(1), 2}, 1); err == nil || !strings.Contains(err.Error(), "value 1 is +Inf") {
		t.Errorf("error %v", err)
	}
	if _, err := Phase([]float64{1, 2, 3}, 0); err == nil || !strings.Contains(err.Error(), "interval 0 s") {
		t.Errorf("error %v", err)
	}
	s := mustValues(t, []float64{1, 2, 3, 5}, 1)
	for want, f := range map[string]func() error{
		"average of 0 values": func() error { _, err := Deviations(s, Allan, []int{0}, 0.9); return err },
		"confidence 1":        func() error { _, err := Deviations(s, Allan, []int{1}, 1); return err },
		"statistic 9":         func() error { _, err := Deviations(s, 9, []int{1}, 0.9); return err },
		"fewer than three":    func() error { _, err := Deviations(s, Allan, []int{7}, 0.9); return err },
	} {
		if err := f(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want one with %q", err, want)
		}
	}
}

// For the same n/m, ν at m = 8000 (where the sum is scaled) is that at m = 1000 (where
// it is not), and twice over for the overlapping white PM, whose ν follows n. The
// steps that remain are those of 1/m.
func TestFreedomOfLongAverages(t *testing.T) {
	for _, noise := range []powerLaw{whitePM, flickerPM, whiteFM, flickerFM, randomWalkFM} {
		for _, k := range []Statistic{Overlapping, Modified, OverlappingHadamard} {
			ratio, tol := 1.0, 0.01
			switch {
			case k == Modified:
			case noise == whitePM:
				ratio = 8
			case noise == flickerPM:
				// sz(0) = 2·C(2d,d)·ln m + const.
				c := covariance{alpha: 1, d: k.differences()}
				c.filter = 8000
				ratio = c.sz(0)
				c.filter = 1000
				ratio *= ratio / (c.sz(0) * c.sz(0))
				if !(ratio > 1.3 && ratio < 1.8) {
					t.Errorf("%v: sz(0)² grows by %g", k, ratio)
				}
				tol = 0.03
			}
			a, b := freedom(k, noise, 1000, 20000), freedom(k, noise, 8000, 160000)
			near(t, fmt.Sprintf("%v, %v", k, noise), b/a, ratio, tol*ratio)
		}
	}
}

func BenchmarkDeviations(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	y := make([]float64, 100000)
	for i := range y {
		y[i] = rng.NormFloat64()
	}
	s := mustValues(b, y, 1)
	for _, k := range []Statistic{Overlapping, Modified, OverlappingHadamard} {
		b.Run(fmt.Sprintf("statistic=%d", k), func(b *testing.B) {
			for b.Loop() {
				if _, err := Deviations(s, k, Octaves(s.Len()), 0.95); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
