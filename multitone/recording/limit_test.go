package recording

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// tones is a sum of tones of random frequencies [cycles a sample], strengths and phases, of largest value 1.
func tones(n, count int, lowest, highest float64, rng *rand.Rand) []float64 {
	x := make([]float64, n)
	for range count {
		turn, phase := 2*math.Pi*lowest*math.Pow(highest/lowest, rng.Float64()), 2*math.Pi*rng.Float64()
		strength := 0.5 + rng.Float64()
		for i := range x {
			x[i] += strength * math.Sin(turn*float64(i)+phase)
		}
	}
	return upToOne(x)
}

func upToOne(x []float64) []float64 {
	most := 0.0
	for _, v := range x {
		most = max(most, math.Abs(v))
	}
	for i := range x {
		x[i] /= most
	}
	return x
}

// rest is a sum of eight tones that are multiples of a 2000th of the sample rate, as of a sensor at rest.
func rest(n int, rng *rand.Rand) []float64 {
	x := make([]float64, 2000)
	for k := range 8 {
		strength, phase := 0.5+rng.Float64(), 2*math.Pi*rng.Float64()
		for i := range x {
			x[i] += strength * math.Sin(2*math.Pi*float64((101+33*k)*i)/2000+phase)
		}
	}
	all := make([]float64, n)
	for i := range all {
		all[i] = x[i%2000]
	}
	return upToOne(all)
}

// quantised is x in steps, as counts.
func quantised(x []float64, full float64) []int16 {
	d := make([]int16, len(x))
	for i, v := range x {
		d[i] = quantise(full * v)
	}
	return d
}

// TestLimits: a front end that saturates inside of the range, and takes 2, 10 or 40 % off the largest value of a sum of
// tones with a little noise, is found on the side where it does, in floats and in counts. Of eight tones without a common
// period no two crests come within 2 %, of those at rest the largest comes again each period. What is clipped
// is all that is at the limit, but for what was seen before it was known and exceeds limitMet stretches: here, less than a
// twentieth.
func TestLimits(t *testing.T) {
	const n = 100_000
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		tones  int // 0: eight at rest
		shares []float64
	}{{1, []float64{0.98, 0.9, 0.6}}, {2, []float64{0.98, 0.9, 0.6}}, {3, []float64{0.98, 0.9, 0.6}}, {0, []float64{0.98, 0.9, 0.6}}, {8, []float64{0.6}}} {
		for _, share := range c.shares {
			for _, both := range []bool{true, false} {
				x, at := rest(n, rng), 0.8*share
				if c.tones > 0 {
					x = tones(n, c.tones, 0.02, 0.2, rng)
				}
				single := make([]float64, n)
				for i, v := range x {
					v = min(0.8*v+3e-4*rng.NormFloat64(), at)
					if both {
						v = max(v, -at)
					}
					x[i], single[i] = v, float64(float32(v))
				}
				d := quantised(x, 32_000)
				end := quantise(32_000 * at)
				for name, got := range map[string]struct {
					m     *Monitor
					limit func(i int) bool
				}{
					"floats":            {watchedFloats(x), func(i int) bool { return x[i] == at || both && x[i] == -at }},
					"floats of 32 bits": {watchedFloats(single), func(i int) bool { return x[i] == at || both && x[i] == -at }},
					"counts":            {watched(d, 1), func(i int) bool { return d[i] == end || both && d[i] == -end }},
				} {
					want := int64(0)
					for i := range n {
						if got.limit(i) {
							want++
						}
					}
					if have := got.m.Channels()[0].Clipped; have > want || have < want*19/20 || want == 0 {
						t.Errorf("%s, %d tones less %.0f %%, both sides %v: %d samples clipped, %d are at the limit", name, c.tones, 100*(1-share), both, have, want)
					}
				}
			}
		}
	}
}

// wave is one of a random kind without any limit, about 1 large, and its name.
func wave(n int, rng *rand.Rand) (what string, x []float64) {
	x = make([]float64, n)
	each := func(f func(i float64) float64) {
		for i := range x {
			x[i] = f(float64(i))
		}
	}
	turn := 2 * math.Pi * 0.002 * math.Pow(200, rng.Float64()) // 500 to 2.5 samples a period
	switch rng.IntN(12) {
	case 0:
		what, x = "tones", tones(n, 1+rng.IntN(8), 0.002, 0.4, rng)
	case 1:
		what, x = "pure tone", tones(n, 1, 0.002, 0.4, rng)
	case 2:
		period, phase, second := float64(3+rng.IntN(400)), rng.Float64(), float64(rng.IntN(20))
		what = fmt.Sprintf("two tones of %g samples in common", period)
		each(func(i float64) float64 {
			t := 2 * math.Pi * math.Mod(i, period) / period
			return 0.6*math.Sin(t+phase) + 0.4*math.Sin(second*t)
		})
	case 3:
		whole, phase := float64(3+rng.IntN(20)), 7*rng.Float64()*float64(rng.IntN(2))
		off := math.Pow(10, -6+4*rng.Float64())
		what = fmt.Sprintf("tone of %g samples a period, but for %.1g", whole, off)
		each(func(i float64) float64 { return math.Cos(2*math.Pi*i/whole*(1+off) + phase) })
	case 4:
		what = "tone of changing strength"
		slow := 2 * math.Pi * (0.5 + 5*rng.Float64()) / float64(n)
		each(func(i float64) float64 { return math.Sin(turn*i) * (1 - 0.4*math.Cos(slow*i)) / 1.4 })
	case 5:
		what = "triangle"
		each(func(i float64) float64 { return 2 / math.Pi * math.Asin(math.Sin(turn*i)) })
	case 6:
		what = "ramp"
		period := 20 + 500*rng.Float64()
		each(func(i float64) float64 { return 2*math.Mod(i, period)/period - 1 })
	case 7:
		what = "square"
		each(func(i float64) float64 { return math.Copysign(0.9, math.Sin(turn*i)) })
	case 8:
		what = "even noise"
		each(func(float64) float64 { return 2*rng.Float64() - 1 })
	case 9:
		what = "normal noise"
		each(func(float64) float64 { return rng.NormFloat64() / 5 })
	case 10:
		what = "rectified tone"
		each(func(i float64) float64 { return math.Abs(math.Sin(turn * i)) })
	default:
		hold, v := 2+rng.IntN(6), 0.0
		what = fmt.Sprintf("each value %d times", hold)
		each(func(i float64) float64 {
			if int(i)%hold == 0 {
				v = 0.5*math.Sin(turn*i) + 0.1*rng.NormFloat64()
			}
			return v
		})
	}
	return what, x
}

// TestNoLimits: 200 recordings of many kinds, from 30 to 30,000 steps large, with and without noise and offset, as floats,
// as quantised floats and as counts, also of 12 bits in the upper part of 16, are clipped nowhere. Each of their 14,000
// pieces has two sides, of which one in 10^9 is called clipped by chance: one in 36,000 such tests.
func TestNoLimits(t *testing.T) {
	const n = 30_000
	rng := rand.New(rand.NewPCG(5, 6))
	for range 200 {
		what, x := wave(n, rng)
		full, noise, offset := 30*math.Pow(950, rng.Float64()), []float64{0, 0, 0.1, 0.3, 0.5, 1, 5, 30}[rng.IntN(8)], 0.04*float64(rng.IntN(3))
		if what == "square" { // with noise, its level is an end of another kind
			noise = 0
		}
		steps, single, d, left := make([]float64, n), make([]float64, n), make([]int16, n), make([]int16, n)
		for i := range x {
			v := full*(x[i]+offset) + noise*rng.NormFloat64()
			x[i] = v / full
			single[i] = float64(float32(x[i]))
			d[i] = quantise(v)
			steps[i] = 1.23e-5 * float64(d[i])
			left[i] = 16 * quantise(v/20)
		}
		for name, m := range map[string]*Monitor{"floats": watchedFloats(x), "floats of 32 bits": watchedFloats(single), "quantised floats": watchedFloats(steps),
			"counts": watched(d, 1), "12 bits": watched(left, 1)} {
			if m.Flags(0, 0, n)&Clipped != 0 {
				t.Errorf("%s of %s, %.0f steps, noise %g, offset %g: %v", name, what, full, noise, offset, m.Summary())
			}
		}
	}
}

// TestLimitBeyond: a limit stays one after a sample beyond it, as of a burst.
func TestLimitBeyond(t *testing.T) {
	const n, spike = 60_000, 30_000
	rng := rand.New(rand.NewPCG(3, 4))
	x := tones(n, 2, 0.02, 0.2, rng)
	for i := range x {
		x[i] = min(x[i]+3e-4*rng.NormFloat64(), 0.9)
	}
	x[spike] = 2
	m := watchedFloats(x)
	for _, c := range []struct{ start, stop int64 }{{0, spike}, {spike + 10_000, n}} {
		if f := m.Flags(0, c.start, c.stop); f != Clipped {
			t.Errorf("samples %d to %d: %q", c.start, c.stop, f)
		}
	}
}

// TestOvershoot: three samples tell a parabola; so do more of them whose inner ones were limited to the outer of these, if
// they lie evenly about its crest.
func TestOvershoot(t *testing.T) {
	const curvature = 0.3
	for _, off := range []float64{-0.4, 0, 0.1, 0.5} {
		fall := func(t float64) float64 { return curvature * ((t-off)*(t-off) - off*off) }
		if have, want := overshoot(1, fall(-1), fall(1), 0), curvature*off*off; math.Abs(have-want) > 1e-15 {
			t.Errorf("crest %g samples off: %g over the sample, want %g", off, have, want)
		}
	}
	for k := 1; k < 9; k++ {
		edge := float64(k-1) / 2
		fall := curvature * ((edge+1)*(edge+1) - edge*edge)
		if have, want := overshoot(k, fall, fall, 0), curvature*edge*edge; math.Abs(have-want) > 1e-14 {
			t.Errorf("%d samples: crest %g over them, want %g", k, have, want)
		}
		if have := overshoot(k, 1, 1, 1); have != 0 {
			t.Errorf("%d samples, one step over their neighbours: crest %g over them", k, have)
		}
	}
}
