package window

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

func filterSpecs() []Spec {
	return []Spec{
		{Kind: Cascade, Order: 4, ENBWHz: 100}, {Kind: Butterworth, Order: 5, CutoffHz: 100},
		{Kind: FIR, CutoffHz: 1000}, {Kind: MovingAverage, Order: 3, TimeConstantS: 64e-5},
	}
}

// Keeping one output in every so many, in blocks of any size, in place, gives the
// very values of the full-rate filter.
func TestBlocksAndDecimationChangeNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	src := make([]complex128, 3000)
	for i := range src {
		src[i] = complex(rng.NormFloat64(), rng.NormFloat64())
	}
	for _, s := range filterSpecs() {
		l := mustDesign(t, s, 1e5)
		full := make([]complex128, len(src))
		l.NewFilter(1).Process(full, src)
		for _, every := range []int{1, 2, 7, 64} {
			f := l.NewFilter(every)
			var got []complex128
			for at := 0; at < len(src); {
				n := min(rng.IntN(40), len(src)-at)
				block := append([]complex128(nil), src[at:at+n]...)
				want := f.Outputs(n)
				k := f.Process(block, block)
				if k != want {
					t.Fatalf("%v: %d outputs, Outputs said %d", s.Kind, k, want)
				}
				got = append(got, block[:k]...)
				at += n
			}
			if len(got) != len(src)/every {
				t.Fatalf("%v every %d: %d outputs, want %d", s.Kind, every, len(got), len(src)/every)
			}
			for k, g := range got {
				if g != full[(k+1)*every-1] {
					t.Fatalf("%v every %d: output %d = %v, want %v", s.Kind, every, k, g, full[(k+1)*every-1])
				}
			}
		}
	}
}

// The sum of exponentials is the impulse response, for any order and down to a
// cutoff at 1e-6 of the rate. What the modes cancel of each other costs digits:
// some 2⁻⁵² of their sizes, times the turns that rounding has had in the filter.
func TestModesAreTheImpulseResponse(t *testing.T) {
	const rate = 1e6
	for order := 1; order <= 8; order++ {
		for _, cutoff := range []float64{1, 1e3, 2e5} {
			l := mustDesign(t, Spec{Kind: Butterworth, Order: order, CutoffHz: cutoff}, rate)
			direct, modes, ok := l.Modes()
			if !ok {
				t.Fatal("a Butterworth is no sum of exponentials")
			}
			size := math.Abs(direct)
			for _, m := range modes {
				size += cmplx.Abs(m.Weight)
			}
			x := make([]complex128, 3000)
			x[0] = 1
			l.NewFilter(1).Process(x, x)
			for m, want := range x {
				got := 0.0
				if m == 0 {
					got = direct
				}
				for _, v := range modes {
					got += real(v.Weight * cmplx.Exp(v.LogPole*complex(float64(m), 0)))
				}
				if d := math.Abs(got - real(want)); !(d <= 1e-15*size*float64(m+8)) {
					t.Fatalf("order %d, cutoff %g Hz, after %d samples: %g, want %g (sizes %g)", order, cutoff, m, got, real(want), size)
				}
			}
		}
	}
	if _, _, ok := mustDesign(t, Spec{Kind: FIR, CutoffHz: 1000}, rate).Modes(); ok {
		t.Error("an FIR is a sum of exponentials")
	}
}

// A very narrow filter follows a step as the continuous one does: with the
// cutoff at 1e-6 of the rate, the eighth-order Butterworth written as plain
// sections would have lost all digits.
func TestNarrowFiltersKeepTheirDigits(t *testing.T) {
	const rate = 1e6
	for _, s := range []Spec{{Kind: Butterworth, Order: 8, CutoffHz: 1}, {Kind: Butterworth, Order: 1, CutoffHz: 1}, {Kind: Cascade, Order: 8, CutoffHz: 1}} {
		l := mustDesign(t, s, rate)
		f := l.NewFilter(1 << 16)
		settle := int(l.SettlingS(1e-3) * rate)
		block := make([]complex128, 1<<16)
		var y complex128
		for n := 0; n < settle; n += len(block) {
			for i := range block {
				block[i] = 1
			}
			f.Process(block, block)
			y = block[0]
		}
		if d := cmplx.Abs(y - 1); !(d < 1e-3) {
			t.Errorf("%v %d: |1 − step| = %g after the settling time to 1e-3", s.Kind, s.Order, d)
		}
	}
}

// White noise of one-sided density S leaves S·ENBW of variance in a real channel:
// the meaning of ENBW, by Monte Carlo. Independent outputs: N; the variance then
// scatters by √(2/N), of which four sigmas are allowed.
func TestENBWIsTheNoiseThatPasses(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const rate, sigma = 1e5, 1.0
	density := sigma * sigma / (rate / 2)
	for _, s := range filterSpecs() {
		l := mustDesign(t, s, rate)
		every := int(4*l.SettlingS(1e-3)*rate) / 3
		f := l.NewFilter(every)
		block := make([]complex128, every)
		const outputs = 400
		sum := 0.0
		for k := range outputs + 2 {
			for i := range block {
				block[i] = complex(sigma*rng.NormFloat64(), sigma*rng.NormFloat64())
			}
			f.Process(block, block)
			if k >= 2 {
				sum += real(block[0])*real(block[0]) + imag(block[0])*imag(block[0])
			}
		}
		near(t, fmt.Sprintf("%v: variance over S·ENBW", s.Kind), sum/(2*outputs)/(density*l.ENBWHz()), 1, 4*math.Sqrt(2.0/(2*outputs)))
	}
}

func TestProcessDoesNotAllocate(t *testing.T) {
	block := make([]complex128, 256)
	for _, s := range filterSpecs() {
		f := mustDesign(t, s, 1e5).NewFilter(4)
		if n := testing.AllocsPerRun(10, func() { f.Process(block, block) }); n != 0 {
			t.Errorf("%v: %g allocations", s.Kind, n)
		}
	}
}

func BenchmarkFilter(b *testing.B) {
	for _, s := range filterSpecs() {
		for _, every := range []int{1, 64} {
			b.Run(fmt.Sprintf("kind=%v/every=%d", s.Kind, every), func(b *testing.B) {
				f := mustDesign(b, s, 1e5).NewFilter(every)
				src := make([]complex128, 4096)
				dst := make([]complex128, 4096)
				b.SetBytes(16 * 4096)
				for b.Loop() {
					f.Process(dst, src)
				}
				b.ReportMetric(4096*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
			})
		}
	}
}

func BenchmarkDesign(b *testing.B) {
	for _, s := range []Spec{{Kind: Butterworth, Order: 4, ENBWHz: 10}, {Kind: FIR, CutoffHz: 10}, {Kind: MovingAverage, Order: 4, ENBWHz: 10}} {
		b.Run("kind="+s.Kind.String(), func(b *testing.B) {
			for b.Loop() {
				mustDesign(b, s, 1e5)
			}
		})
	}
}
