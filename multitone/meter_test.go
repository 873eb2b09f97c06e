package multitone

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A noise that is known is not moved by one window that a burst lies in, and follows
// what stays.
func TestOneWindowDoesNotMoveTheNoise(t *testing.T) {
	const length, sigma = 1024, 0.1
	cfg := Config{SampleRate: 20000, Channels: 1, Tones: []Tone{{Hz: 1000}, {Hz: 1600}}}
	probes, err := newProbes(&cfg, length, bankProbes, Double)
	if err != nil {
		t.Fatal(err)
	}
	m := newMeter(probes, 1, pooledWindows, []float64{1})
	random := rand.New(rand.NewPCG(8, 8))
	x := make([]float64, length)
	windows := func(n int, sigma, burst float64) (mean float64) {
		for range n {
			for i := range x {
				x[i] = sigma * random.NormFloat64()
			}
			x[length/2] += burst
			observe(m, x, nil)
		}
		for _, v := range m.variances() {
			mean += v / 2
		}
		return mean
	}
	// A mean of n probes over 32 windows that fade, of 64 independent ones: 1/√(64·n),
	// and the 15 % that neighbours share. Five sigmas.
	loose := 5 * 1.15 / math.Sqrt(float64(2*pooledWindows*probes.count))
	quiet := windows(2*pooledWindows, sigma, 0)
	if math.Abs(quiet/(sigma*sigma)-1) > loose {
		t.Errorf("variance %g, want %g", quiet, sigma*sigma)
	}
	// One window moves a mean over 32 by a thirty-second of what is in it, and the burst
	// has a hundred times the power of the noise in its window: by three times and more.
	burst := 10 * sigma * math.Sqrt(length)
	if after := windows(1, sigma, burst); math.Abs(after/quiet-1) > loose {
		t.Errorf("variance %g after a burst, before %g", after, quiet)
	}
	// Three of four windows count: of 160 windows 120, which leave (31/32)^120 = 2 % of what was.
	if loud := windows(160, 4*sigma, 0); math.Abs(loud/(16*sigma*sigma)-1) > loose+0.02 {
		t.Errorf("variance %g of a noise that stays, want %g", loud, 16*sigma*sigma)
	}
}

// A gap takes nothing from what is known of the noise, and what stands in its place adds nothing:
// neither in the windows that it fills nor in those at its ends, whatever was known before.
func TestAGapLeavesTheNoise(t *testing.T) {
	const length, sigma, gap = 1024, 0.1, 410
	cfg := Config{SampleRate: 20000, Channels: 1, Tones: []Tone{{Hz: 1000}, {Hz: 1600}}}
	probes, err := newProbes(&cfg, length, bankProbes, Double)
	if err != nil {
		t.Fatal(err)
	}
	share := (&omissions{lists: [][]Span{{{0, gap}}}, last: length}).lost(probes.shape, 1, 0)
	random := rand.New(rand.NewPCG(9, 9))
	x := make([]float64, length)
	for _, before := range []int{0, 1, 5, 40} {
		m := newMeter(probes, 1, pooledWindows, []float64{1})
		windows := func(n, held int, lost []float64) {
			for range n {
				for i := range x {
					x[i] = sigma * random.NormFloat64()
				}
				for i := range held { // a value that stays
					x[i] = 1000 * sigma
				}
				observe(m, x, lost)
			}
		}
		windows(before, 0, nil)
		windows(1, gap, share)
		windows(15, length, []float64{1})
		windows(1, gap, share)
		windows(40, 0, nil)
		mean := 0.0
		for _, v := range m.variances() {
			mean += v / 2
		}
		// Of 32 windows that fade, as in TestOneWindowDoesNotMoveTheNoise.
		if loose := 5 * 1.15 / math.Sqrt(float64(2*pooledWindows*probes.count)); math.Abs(mean/(sigma*sigma)-1) > loose {
			t.Errorf("variance %g after a gap behind %d windows, want %g", mean, before, sigma*sigma)
		}
	}
	// Of a channel that misses some in every window, the rest is all there is.
	m := newMeter(probes, 1, pooledWindows, []float64{1})
	for range 80 {
		for i := range x {
			x[i] = sigma * random.NormFloat64()
		}
		clear(x[:gap])
		observe(m, x, share)
	}
	mean := 0.0
	for _, v := range m.variances() {
		mean += v / 2
	}
	// Some of what white noise has in a cut window leaks from probe to probe: twice the scatter.
	if loose := 2 * 5 * 1.15 / math.Sqrt(float64(2*pooledWindows*probes.count)); math.Abs(mean/(sigma*sigma)-1) > loose {
		t.Errorf("variance %g of a channel that always misses samples, want %g", mean, sigma*sigma)
	}
}

// A channel that misses a sample of every window, from the first one on, is known as soon, and as well, as
// one that misses none.
func TestSingleSamplesThatAreLost(t *testing.T) {
	const length, sigma, rounds = 1024, 0.1, 200
	cfg := Config{SampleRate: 20000, Channels: 1, Tones: []Tone{{Hz: 1000}, {Hz: 1600}}}
	probes, err := newProbes(&cfg, length, bankProbes, Double)
	if err != nil {
		t.Fatal(err)
	}
	share := (&omissions{lists: [][]Span{{{500, 501}}}, last: length}).lost(probes.shape, 1, 0)
	random := rand.New(rand.NewPCG(9, 10))
	x := make([]float64, length)
	for _, windows := range []int{1, 4, 16} {
		var mean, twins float64
		for range rounds {
			m, twin := newMeter(probes, 1, pooledWindows, []float64{1}), newMeter(probes, 1, pooledWindows, []float64{1})
			for range windows {
				for i := range x {
					x[i] = sigma * random.NormFloat64()
				}
				observe(twin, x, nil)
				x[500] = 0
				observe(m, x, share)
			}
			for k, v := range m.variances() {
				mean, twins = mean+v, twins+twin.variances()[k]
			}
		}
		// What is taken off has a share of the power, and so 2√share of each probe's square, of which there
		// are two components and a dozen probes beside a tone at least.
		if loose := 5 * 2 * math.Sqrt(share[0]/float64(rounds*windows*12)); math.Abs(mean/twins-1) > loose {
			t.Errorf("%d windows: variance %g of that of a channel that misses nothing, want 1 ± %.2g", windows, mean/twins, loose)
		}
	}
}
