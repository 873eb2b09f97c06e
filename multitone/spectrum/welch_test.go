package spectrum

import (
	"fmt"
	"math"
	"math/bits"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"tonepose/multitone/window"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.8g, want %.8g ± %.2g", what, got, want, tol)
	}
}

func mustWelch(t testing.TB, rate float64, size int) *Welch {
	t.Helper()
	w, err := NewWelch(rate, size)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func taper(t testing.TB, name string) window.Taper {
	t.Helper()
	w, err := window.ByName(name)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func whiteNoise(rng *rand.Rand, n int, sigma float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = sigma * rng.NormFloat64()
	}
	return x
}

// White noise of variance σ² has the one-sided density 2σ²/fs, whatever taper,
// overlap and block size. The mean over n bins scatters by √(2·spread/(ν·n)).
func TestWhiteNoiseLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	const rate, sigma = 1e4, 3e-6
	x := whiteNoise(rng, 60000, sigma)
	for i := range x {
		x[i] += 0.7 // an offset 2e5 times the noise must stay in bin 0 or go
	}
	for _, name := range []string{"boxcar", "hann", "blackman-harris", "hft116d", "kaiser:3", "dolph-chebyshev:80"} {
		for _, overlap := range []float64{0, 0.5, 0.75} {
			w := newWelch(rate, 1000, taper(t, name), overlap)
			for at := 0; at < len(x); {
				n := min(1+rng.IntN(3000), len(x)-at)
				w.Add(x[at : at+n])
				at += n
			}
			d := w.Density()
			mean, n := 0.0, 0.0
			for _, p := range d.PSD[10 : len(d.PSD)-10] {
				mean += p
				n++
			}
			want := 2 * sigma * sigma / rate
			near(t, name+" density over 2σ²/fs", mean/n/want, 1, 4*math.Sqrt(2*d.lobe.spread/(d.dof*n)))
			near(t, name+" power", math.Sqrt(d.Power(100, 4900))/sigma, math.Sqrt(0.96), 0.02)
		}
	}
}

// Every size and an odd or even number of segments gives the periodogram of its
// definition, (2/(fs·Σw²))·|Σ w (x−x̄) e^{−j2πkn/N}|², averaged. The bound is N roundings.
func TestDensityMatchesItsDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 1))
	for _, size := range []int{16, 18, 27, 32, 60, 64, 97} {
		for segments := 1; segments <= 3; segments++ {
			x := whiteNoise(rng, size*segments, 1)
			w := newWelch(7, size, taper(t, "hann"), 0)
			w.Add(x)
			d := w.Density()
			weights := make([]float64, size)
			taper(t, "hann").Fill(weights)
			for k := range d.PSD {
				want, power := 0.0, 0.0
				for s := range segments {
					var sum complex128
					power = 0
					segment := x[s*size : (s+1)*size]
					mean := stat.Mean(segment, nil)
					for i, v := range weights {
						sum += cmplx.Rect(v*(segment[i]-mean), -2*math.Pi*float64(k*i)/float64(size))
						power += v * v
					}
					want += real(sum)*real(sum) + imag(sum)*imag(sum)
				}
				want *= 2 / (7 * power * float64(segments))
				if k == 0 || 2*k == size {
					want /= 2
				}
				near(t, "density", d.PSD[k], want, 1e-12)
			}
		}
	}
}

// The transform in columns gives what one written by others gives, for every length whose
// stages differ, for two segments and for one. The bound is log₂N roundings of
// the whole power, with room.
func TestColumnsMatchAnotherTransform(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 1))
	for n := leastColumns; n <= 1<<13; n += side * side {
		if !inColumns(n) {
			continue
		}
		w := whiteNoise(rng, n, 1)
		x, y := whiteNoise(rng, n, 1), whiteNoise(rng, n, 1)
		for _, second := range [][]float64{y, nil} {
			got, want := make([]float64, n), make([]float64, n)
			c, p := newColumns(w), &plain{w, make([]complex128, n), fourier.NewCmplxFFT(n)}
			c.add(got, x, second, 0.1, -0.2)
			c.add(got, x, second, 0.1, -0.2) // nothing is left of the first
			p.add(want, x, second, 0.1, -0.2)
			whole := floats.Sum(want) / float64(n)
			for k := range n {
				near(t, "power", got[c.place(k)]/whole, 2*want[k]/whole, 50*float64(bits.Len(uint(n)))*0x1p-52)
			}
		}
	}
}

// Of a long stream as many segments as wanted are taken, one more at most, to its very
// end; a short one is used whole, as without Spread.
func TestSpread(t *testing.T) {
	const size, wanted = 128, 20
	for _, n := range []int{size, 500, 1000, 1100, 5000, 100003} {
		x := whiteNoise(rand.New(rand.NewPCG(14, 1)), n, 1)
		whole, spread := mustWelch(t, 1, size), mustWelch(t, 1, size)
		spread.Spread(int64(n), wanted)
		whole.Add(x)
		for at := 0; at < n; at += 77 {
			spread.Add(x[at:min(at+77, n)])
		}
		all, some := whole.Density(), spread.Density()
		if some.Segments < min(all.Segments, wanted) || some.Segments > wanted+1 {
			t.Errorf("%d samples: %d segments of %d", n, some.Segments, all.Segments)
		}
		if all.Segments <= wanted && (some.dof != all.dof || !slices.Equal(some.PSD, all.PSD)) {
			t.Errorf("%d samples: short, but not used whole", n)
		}
	}
	// A tone in the last segments only is seen, a tenth of the stream from the end.
	w := mustWelch(t, 1, size)
	const n = 20000
	w.Spread(n, wanted)
	x := make([]float64, n)
	addSine(x[n-n/10:], 1, 0.125, 1, 0)
	w.Add(x)
	if p := w.Density().Power(0.1, 0.15); !(p > 0.5/wanted) {
		t.Errorf("mean square %g of a tone at the end", p)
	}
}

// Overlap correlation at 50 %: Hann 16.7 %, minimum 4-term Blackman–Harris 3.8 %,
// boxcar 50 %; at 75 %: 65.9 %, 46.0 %, 75 % (Harris, Proc. IEEE 66(1), 1978, Table I,
// not checked against the original). The printed digits limit the agreement.
func TestFreedomMatchesHarrisOverlapCorrelation(t *testing.T) {
	for _, c := range []struct {
		name         string
		half, threeQ float64
	}{{"hann", 0.167, 0.659}, {"blackman-harris", 0.038, 0.460}, {"boxcar", 0.5, 0.75}} {
		w := newWelch(1, 4000, taper(t, c.name), 0.5)
		w.used = 2
		dof := w.freedom()
		// Two segments: ν = 4/(1 + ρ²).
		near(t, c.name+" at 50 %", math.Sqrt(4/dof-1), c.half, 0.0005)
		w = newWelch(1, 4000, taper(t, c.name), 0.75)
		w.used = 2
		dof = w.freedom()
		near(t, c.name+" at 75 %", math.Sqrt(4/dof-1), c.threeQ, 0.0005)
	}
}

// The scatter of a bin over many spectra is that of χ²_ν/ν, √(2/ν); the variance of
// n values scatters by about √(2/n) itself (more for small ν: kurtosis 12/ν). Spread
// pairs of segments overlap only within themselves, or less than the rest.
func TestFreedomMatchesScatter(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 1))
	for _, name := range []string{"hann", "blackman-harris"} {
		for _, samples := range []int{2000, 3000, 6000} {
			var sum, sum2, n, dof float64
			for range 60 {
				w := newWelch(1, 256, taper(t, name), 2.0/3)
				w.Spread(int64(samples), 22)
				w.Add(whiteNoise(rng, samples, 1))
				d := w.Density()
				dof = d.dof
				for k := 8; k < 120; k += 8 { // far enough apart to be independent
					sum += d.PSD[k]
					sum2 += d.PSD[k] * d.PSD[k]
					n++
				}
			}
			mean := sum / n
			got := (sum2/n - mean*mean) / (mean * mean)
			near(t, fmt.Sprintf("%s, %d samples, variance over 2/ν", name, samples), got*dof/2, 1, 4*math.Sqrt((2+12/dof)/n))
		}
	}
}

// χ² critical values for ν = 10: 3.247 and 20.483 (NIST/SEMATECH e-Handbook,
// section 1.3.6.7.4).
func TestInterval(t *testing.T) {
	lo, hi := (&Density{dof: 10}).Interval(0.95)
	near(t, "lower factor", lo, 10/20.483, 1e-5)
	near(t, "upper factor", hi, 10/3.247, 1e-3)
}

func TestGapsAndBadSamples(t *testing.T) {
	w := newWelch(1, 100, taper(t, "blackman-harris"), 0)
	x := whiteNoise(rand.New(rand.NewPCG(3, 1)), 250, 1)
	w.Add(x)
	w.Break()
	w.Add(x)
	x[20] = math.NaN()
	w.Break()
	w.Add(x)
	d := w.Density()
	if d.Segments != 5 {
		t.Errorf("%d segments; want 5: that with a NaN left out", d.Segments)
	}
	for k, p := range d.PSD {
		if math.IsNaN(p) {
			t.Fatalf("PSD[%d] is NaN", k)
		}
	}
	if d := mustWelch(t, 1, 16384).Density(); !math.IsNaN(d.PSD[5]) || d.Lines(d.Floor(64), 1e-3) != nil {
		t.Error("an empty accumulator pretends to know something")
	}
}

func TestWelchErrors(t *testing.T) {
	for want, c := range map[string]struct {
		rate float64
		size int
	}{
		"sample rate -1 Hz":     {-1, 16384},
		"segments of 3 samples": {1, 3},
	} {
		if _, err := NewWelch(c.rate, c.size); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want one with %q", err, want)
		}
	}
	for n, want := range map[int]int{1: 16, 17: 18, 65537: 65610, 4096: 4096, 7: 16, 101: 108} {
		if got := SmoothSize(n); got != want {
			t.Errorf("SmoothSize(%d) = %d, want %d", n, got, want)
		}
	}
}

func TestAddDoesNotAllocate(t *testing.T) {
	w := mustWelch(t, 1, 256)
	x := make([]float64, 1000)
	if n := testing.AllocsPerRun(5, func() { w.Add(x) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkWelch(b *testing.B) {
	for _, c := range []struct {
		name string
		size int
	}{{"4096", 4096}, {"16384", 16384}, {"65610", 65610}, {"131072", 1 << 17}} {
		b.Run("size="+c.name, func(b *testing.B) {
			w := mustWelch(b, 1, c.size)
			x := whiteNoise(rand.New(rand.NewPCG(1, 1)), 1<<17, 1)
			b.SetBytes(int64(8 * len(x)))
			for b.Loop() {
				w.Add(x)
			}
			perSecond := float64(len(x)) * float64(b.N) / b.Elapsed().Seconds() / 1e6
			b.ReportMetric(perSecond, "Msamples/s")
			b.ReportMetric(perSecond*float64(c.size)/float64(w.hop), "Mtransformed/s")
		})
	}
}
