package multitone

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"
)

// crowd is a recording with all that an interval is fitted to: tones with a drive that drifts,
// which a moving sensor's pickups see, mains, a line beside a tone, an offset that drifts, noise.
// Invented data.
func crowd(samples int, rng *rand.Rand) (Config, [][]float64) {
	const rate, channels = 100e3, 3
	d := drift{nominal: []float64{5125, 6325, 9025}, rate: 1e-7, size: 2e-8, hz: 0.3}
	c := Config{SampleRate: rate, Channels: channels, Course: d, Lines: []float64{50, 150, 250, 350, 5350},
		Foreign: []Line{{Hz: 5131, Power: []float64{1e-4, 1e-4, 1e-4}, Noise: []float64{1e-6, 1e-6, 1e-6}}}}
	for k := range d.nominal {
		c.Tones = append(c.Tones, Tone{Hz: d.nominal[k], Reference: OnChannel(2)})
	}
	x := make([][]float64, channels)
	for ch := range x {
		x[ch] = make([]float64, samples)
		chirps(x[ch], rate, d, []complex128{unit(0.1), 0.5 * unit(0.3), 0.2i})
		for i := range x[ch] {
			t := float64(i) / rate
			if ch < 2 {
				x[ch][i] *= 0.1 * (1 + 0.3*math.Sin(2*math.Pi*0.7*t+float64(ch)))
			}
			x[ch][i] += 0.01 + 0.003*t + 0.02*math.Cos(2*math.Pi*50*t) + 0.01*math.Sin(2*math.Pi*5350*t) + 0.01*math.Cos(2*math.Pi*5131*t)
		}
		noise(x[ch], 1e-3, rng)
	}
	return c, x
}

// However many intervals overlap, each has the phasors and bends that it would have alone. What
// differs is where pieces begin over which the clock is taken to run straight: its drift turns a
// phase by π·9e3·1e-7·0.0205² = 1.2e-6 within one of 41 ms, of which a tone 33 bins of
// these away keeps 1.2e-6/(2π·33) = 6e-9 at the most; there are two others and lines, and what is
// fitted beside a tone takes more of it as it takes more of the noise. A bend is that curvature: of a
// parabola with 1.2e-6 at its ends the mean is a third of it, 4e-7. The noise
// is that of the same samples but for half a window at the beginning, in windows that lie
// otherwise: both estimates scatter as the squares do that they rest on.
func TestIntervalsTogetherAreThoseAlone(t *testing.T) {
	const samples, count = 150000, 60
	rng := rand.New(rand.NewPCG(51, 52))
	c, x := crowd(samples, rng)
	type stretch struct{ start, stop int64 }
	var all []stretch
	for i := range count {
		length := int64(math.Exp(math.Log(300) + rng.Float64()*math.Log(samples/300))) // short ones as well
		start := rng.Int64N(samples - length + 1)
		all = append(all, stretch{start, start + length})
		if i%10 == 0 { // equal starts and equal stops, those that touch
			all = append(all, stretch{start, samples}, stretch{0, start + length}, stretch{0, max(start, 300)})
		}
	}
	slices.SortFunc(all, func(a, b stretch) int { return int(a.start - b.start) })
	bad := []Span{{20000, 20003}, {20400, 21400}, {77000, 77001}, {149990, 150000}}
	measure := func(which []stretch, block int) (frames []*Frame, open []*Interval) {
		p := new(Intervals)
		begun := 0
		for at := 0; at < samples; at += block {
			end := min(at+block, samples)
			for begun < len(which) && which[begun].start < int64(end) {
				own := c
				own.Tones = slices.Clone(c.Tones)
				v := which[begun]
				for k := range own.Tones {
					own.Tones[k].Hz = (c.Course.Cycles(k, float64(v.stop)/c.SampleRate) - c.Course.Cycles(k, float64(v.start)/c.SampleRate)) / float64(v.stop-v.start) * c.SampleRate
				}
				i, err := p.Begin(own, v.start, v.stop)
				if err != nil {
					t.Fatal(err)
				}
				open, begun = append(open, i), begun+1
			}
			for _, s := range bad {
				if s.Start >= int64(at) && s.Start < int64(end) {
					p.Omit(1, s.Start, s.Stop)
				}
			}
			view := make([][]float64, len(x))
			for ch := range x {
				view[ch] = x[ch][at:end]
			}
			if err := p.Write(view, int64(at)); err != nil {
				t.Fatal(err)
			}
		}
		for _, v := range open {
			f, err := v.Frame()
			if err != nil {
				t.Fatal(err)
			}
			frames = append(frames, f)
		}
		return frames, open
	}
	got, _ := measure(all, 8192)
	other, _ := measure(all, 777)
	for i, v := range all {
		f := got[i]
		alone, by := measure([]stretch{v}, samples)
		want, a := alone[0], by[0].plan.analysis
		limit := func(gain float64) float64 { return 3e-8 * math.Sqrt(gain*float64(v.stop-v.start)/2) }
		if f.Start != v.start || f.Stop != v.stop || f.BendDOF != want.BendDOF {
			t.Fatalf("%v: frame of %d to %d with %d degrees of freedom, want %d", v, f.Start, f.Stop, f.BendDOF, want.BendDOF)
		}
		for j := range f.Phasor {
			if d := cmplx.Abs(f.Phasor[j] - want.Phasor[j]); d > limit(a.estimator.gain[j/c.Channels]) {
				t.Errorf("%v: phasor %d is off by %.3g", v, j, d)
			}
			if f.Phasor[j] != other[i].Phasor[j] || f.Variance[j] != other[i].Variance[j] {
				t.Fatalf("%v: phasor %d is another in other blocks", v, j)
			}
			windows := max(1, float64(v.stop-v.start)/1333*2-2)
			loose := 6 * math.Sqrt(2/(2*16*windows/1.37))
			if r := f.Variance[j] / want.Variance[j]; !(math.Abs(r-1) < loose) && r == r {
				t.Errorf("%v: variance %d is %.3f of that alone, want 1 ± %.3f", v, j, r, loose)
			}
		}
		for j := range f.bent[:len(a.bends)*c.Channels] {
			if d := cmplx.Abs(f.bent[j] - want.bent[j]); d > 4e-7 {
				t.Errorf("%v: bend %d is off by %.3g", v, j, d)
			}
		}
	}
}

// A group's moments give its projections beside a tone: those are Σ x·exp(−jωu) by their definition.
// The expansion leaves out less than θ⁶/11!! of the samples' sum, θ being π/16, and a factor
// below 2 for the terms behind the first.
func TestMomentsGiveNeighbours(t *testing.T) {
	const length, rate = 2*leastGroups*atom + 77, 100e3
	rng := rand.New(rand.NewPCG(53, 54))
	c := Config{SampleRate: rate, Channels: 2, Tones: []Tone{{Hz: 5125}, {Hz: 9025}}}
	x := [][]float64{make([]float64, length), make([]float64, length)}
	var size float64
	for ch := range x {
		noise(x[ch], 1, rng)
	}
	for _, v := range x[0] {
		size += math.Abs(v)
	}
	p := new(Intervals)
	if _, err := p.Begin(c, 0, length+5000); err != nil { // so that the other is not at the grid's origin
		t.Fatal(err)
	}
	const start = 1000
	v, err := p.Begin(c, start, start+length)
	if err != nil {
		t.Fatal(err)
	}
	whole := [][]float64{make([]float64, start+length+4000), make([]float64, start+length+4000)}
	for ch := range x {
		copy(whole[ch][start:], x[ch])
	}
	if err := p.Write(whole, 0); err != nil {
		t.Fatal(err)
	}
	if _, err := v.Frame(); err != nil {
		t.Fatal(err)
	}
	limit := 2 * math.Pow(math.Pi/leastGroups, toneMoments) / 10395 * size
	a := v.plan.analysis
	for ch := range x {
		for j, w := range a.omega {
			var want complex128
			for i, s := range x[ch] {
				want += complex(s, 0) * unit(-cycles(w*(float64(i)-float64(length-1)/2)/(2*math.Pi)))
			}
			if d := cmplx.Abs(v.y[ch*len(a.omega)+j] - want); d > limit {
				t.Errorf("channel %d at ω = %g: off by %.3g of %.3g, want %.3g", ch, w, d, cmplx.Abs(want), limit)
			}
		}
	}
}

// The polynomials of a whole on its halves, and the expansion of a turn, are equal to their
// definitions at any point: cos and sin, and Bonnet's recursion for P_m itself.
func TestPolynomialsOfStretches(t *testing.T) {
	const moments = 6
	var whole, half [moments]float64
	for _, side := range []float64{-1, 1} {
		h := halving(moments, side)
		for x := -1.0; x <= 1; x += 0.125 {
			legendre(whole[:], (x+side)/2)
			legendre(half[:], x)
			for m, row := range h {
				sum := 0.0
				for k, v := range row {
					sum += v * half[k]
				}
				if math.Abs(sum-whole[m]) > 1e-14 { // some dozen roundings of numbers up to 1
					t.Errorf("P_%d((%g%+g)/2) = %g, want %g", m, x, side, sum, whole[m])
				}
			}
		}
	}
	for _, theta := range []float64{1e-9, 0.01, math.Pi / 16} {
		var e [moments]float64
		turning(e[:], theta)
		for x := -1.0; x <= 1; x += 0.125 {
			legendre(whole[:], x)
			var sum complex128
			for m, v := range e {
				if m%2 == 0 {
					sum += complex(v*whole[m], 0)
				} else {
					sum -= complex(0, v*whole[m])
				}
			}
			limit := 2*math.Pow(theta, moments)/10395 + 1e-15 // 11!!
			if d := cmplx.Abs(sum - cmplx.Exp(complex(0, -theta*x))); d > limit {
				t.Errorf("exp(−j·%g·%g) is off by %.3g, want %.3g", theta, x, d, limit)
			}
		}
	}
}

// Any run of items is taken whole, each item once, in no more groups than two of each size and what
// the greatest size makes necessary.
func TestRunsOfGroups(t *testing.T) {
	const items = 200
	for at := range items {
		for end := at + 1; end <= items; end += 7 {
			for _, most := range []int{0, 3, 20} {
				d := dyadic[*[]int]{make: func() *[]int { return new([]int) }, join: func(into, a, b *[]int) { *into = slices.Concat(*a, *b) }}
				r := run{at: at, end: end, most: most}
				var got []int
				groups := 0
				for i := range items {
					*d.next() = []int{i}
					d.done()
					d.take(&r, func(g *[]int, _, _ int) { got, groups = append(got, *g...), groups+1 })
				}
				if len(got) != end-at || got[0] != at || !slices.IsSorted(got) {
					t.Fatalf("%d to %d: took %v", at, end, got)
				}
				if limit := 2*min(most, 8) + (end-at)>>min(most, 8) + 1; groups > limit {
					t.Fatalf("%d to %d: %d groups of at most 2^%d, want no more than %d", at, end, groups, most, limit)
				}
			}
		}
	}
}

// BenchmarkIntervals measures a second in so many intervals of a half, no two as long, at each moment: with tones alone,
// with mains, and where the clock bends as well. Mchsamples/s counts each sample of each channel once, however many
// intervals hold it.
func BenchmarkIntervals(b *testing.B) {
	c := bench{"", 4, 8, 0}
	const samples = 100000
	x := make([][]float64, c.channels)
	counts := c.counts(samples)
	volts := c.config().CountVolts
	for ch := range x {
		x[ch] = make([]float64, samples)
		for i := range x[ch] {
			x[ch][i] = float64(counts[i*c.channels+ch]) * volts[ch]
		}
	}
	for _, with := range []string{"tones", "mains", "bend"} {
		cfg := c.config()
		if with != "tones" {
			for h := range 60 {
				cfg.Lines = append(cfg.Lines, 50.01*float64(h+1))
			}
		}
		if with == "bend" {
			d := drift{rate: 1e-6, hz: 1}
			for _, t := range cfg.Tones {
				d.nominal = append(d.nominal, t.Hz)
			}
			cfg.Course = d
		}
		for _, overlap := range []int{1, 10, 100} {
			b.Run(fmt.Sprintf("case=%s/overlap=%d", with, overlap), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					var p Intervals
					var all []*Interval
					for i := range 2 * overlap {
						start := int64(i * samples / 2 / overlap)
						v, err := p.Begin(cfg, start, min(start+samples/2-int64(i), samples))
						if err != nil {
							b.Fatal(err)
						}
						all = append(all, v)
					}
					if err := p.Write(x, 0); err != nil {
						b.Fatal(err)
					}
					for _, v := range all {
						if _, err := v.Frame(); err != nil {
							b.Fatal(err)
						}
					}
				}
				b.ReportMetric(float64(b.N)*samples*float64(c.channels)/b.Elapsed().Seconds()/1e6, "Mchsamples/s")
			})
		}
	}
}
