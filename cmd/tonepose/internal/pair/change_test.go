package pair

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"tonepose/multitone/recording"
)

// Parts that differ by noise alone are called a change in one of 10⁵ at most: fewer,
// as the noise is taken to be known from the least number of squares. Of 20,000
// draws one is expected in five runs; more than three in 1 of 10⁵. A value that ramps or
// turns is a change, of the size of its mean square about the mean.
func TestChange(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const n, sigma, relative = 8, 0.02, 4e-4
	draw := func(at func(u float64) complex128) (list []part) {
		for i := range n {
			v := at((float64(i)+0.5)/n - 0.5)
			turn := cmplx.Rect(1, math.Sqrt(relative)*rng.NormFloat64()) // the reference's noise
			list = append(list, part{relative: relative, values: []complex128{v*turn + complex(sigma*rng.NormFloat64(), sigma*rng.NormFloat64())}})
		}
		return list
	}
	still, called := func(float64) complex128 { return cmplx.Rect(1, 0.7) }, 0
	for range 20000 {
		if change(draw(still), 0, 1, sigma*sigma, meteredFreedom) > 0 {
			called++
		}
	}
	if called > 3 {
		t.Errorf("%d of 20000 still signals change", called)
	}
	// Of eight places of equal distance in −½ … ½ the mean square is (1 − 1/64)/12, over
	// n − 1 instead of n. Noise is in it with 4σ/√(7·0.76²) = 8 % of a deviation.
	spread := (1 - 1./64) / 12 * 8 / 7
	for name, c := range map[string]struct {
		at   func(u float64) complex128
		want float64
	}{
		"ramp": {func(u float64) complex128 { return complex(1+0.76*u, 0) }, 0.76 * 0.76 * spread},
		"turn": {func(u float64) complex128 { return cmplx.Rect(1, 0.3*u) }, 0.3 * 0.3 * spread},
	} {
		if got := change(draw(c.at), 0, 1, sigma*sigma, meteredFreedom); math.Abs(got/c.want-1) > 0.5 {
			t.Errorf("%s: mean square %.4g, want %.4g", name, got, c.want)
		}
	}
}

// The frequency of a reference whose clock drifts by r a second departs from its mean
// by r·T/√12 over T seconds; noise alone makes it wander in one case of 10⁵.
func TestWander(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const n, hz, relative = 8, 1000.0, 1e-8
	draw := func(rate float64) (list []part) {
		for i := range n {
			at := float64(i) + 0.5
			phase := 2*math.Pi*(hz*(at+0.3)+rate*(at-4)*(at-4)/2) + math.Sqrt(relative)*rng.NormFloat64()
			list = append(list, part{time: at, relative: relative, reference: cmplx.Rect(3, math.Remainder(phase, 2*math.Pi))})
		}
		return list
	}
	called := 0
	for range 20000 {
		if wander(draw(0), hz) > 0 {
			called++
		}
	}
	if called > 3 {
		t.Errorf("%d of 20000 steady references wander", called)
	}
	// Seven differences of phase are r·(−3 … 3), whose mean square is 4 r².
	if got := wander(draw(2e-3), hz); math.Abs(got/(2*2e-3)-1) > 0.05 {
		t.Errorf("wanders by %.4g Hz, want %.4g", got, 2*2e-3)
	}
}

// Rounding a sine that repeats after m samples, without noise, errs as m samples do: of
// each component by √(2/m·1/12) of a count, over random amplitudes and phases; as half
// of them where the second half is the first with the sign changed. A mean of 4000
// squares is within 4·√(2/4000) = 9 % of its value, were they normal; the rounding of a
// sine is not quite uniform, as its slope is zero at the crests.
func TestRoundingWithoutNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	p := &Pair{info: recording.Info{SampleRate: 1, Integer: true, Scale: []float64{1}}}
	for _, c := range []struct{ turns, period int }{{3, 16}, {7, 50}, {20, 101}} {
		const n = 20200.0
		m := c.period
		cycles := float64(c.turns) / float64(m)
		var square float64
		const trials = 2000
		for range trials {
			x := cmplx.Rect(20+80*rng.Float64(), 2*math.Pi*rng.Float64())
			var sum complex128
			for i := range m {
				e := cmplx.Rect(1, 2*math.Pi*cycles*float64(i))
				sum += complex(2/float64(m)*math.Round(real(x*e)), 0) * cmplx.Conj(e)
			}
			square += abs2(sum-x) / (2 * trials)
		}
		if r := p.floored(0, 0, 50, cycles, n) / square; math.Abs(r-1) > 0.15 {
			t.Errorf("period of %d: variance %.3f of what rounding makes", m, r)
		}
	}
	// Noise of a third of a count and more shows all of it.
	const variance = 2.0 / 9 / 20200
	if got := p.floored(variance, 0, 50, 1./16, 20200); math.Abs(got/variance-1) > 1e-9 {
		t.Errorf("with noise %g, want %g", got, variance)
	}
	// Phases of the golden section never meet: after a Fibonacci number F they are
	// 1/(√5·F) apart (Hurwitz), so n samples count as n/√5 at least, of half turns no
	// less than a half of that, to the 1 % that the first numbers are off.
	if got := different((math.Sqrt(5)-1)/2, 1e5); got < 0.99*1e5/math.Sqrt(5)/2 || got > 1e5 {
		t.Errorf("%g different phases of 1e5", got)
	}
}
