package live

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func TestLatencyQuantiles(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	var l Latency
	var all []float64
	for range 10000 {
		v := 1e-3 * math.Exp(random.NormFloat64())
		all = append(all, v)
		l.Add(v)
	}
	slices.Sort(all)
	for _, share := range []float64{0.01, 0.5, 0.99, 1} {
		want := all[int(math.Ceil(share*float64(len(all))))-1]
		if have := l.Quantile(share); math.Abs(have/want-1) > 0.0201 { // the width of a bin
			t.Errorf("quantile %g is %g, want %g", share, have, want)
		}
	}
	if l.Largest != all[len(all)-1] || l.N != len(all) {
		t.Errorf("%d, largest %g", l.N, l.Largest)
	}
	n, above := 0, l.Histogram()[0].Above
	for _, bar := range l.Histogram() {
		if bar.Above != above || !(bar.Up > bar.Above) {
			t.Errorf("a bar from %g to %g after one to %g", bar.Above, bar.Up, above)
		}
		from, to := slices.IndexFunc(all, func(v float64) bool { return v > bar.Above*1.02 }), 0
		for _, v := range all {
			if v <= bar.Up*1.02 {
				to++
			}
		}
		if from >= 0 && bar.N > to-from+len(all)/20 {
			t.Errorf("%d in the bar up to %g", bar.N, bar.Up)
		}
		n, above = n+bar.N, bar.Up
	}
	if n != len(all) {
		t.Errorf("%d of %d in the histogram", n, len(all))
	}
}

func TestLatencyOfNothing(t *testing.T) {
	var l Latency
	if len(l.Histogram()) != 0 || !math.IsNaN(l.Quantile(0.5)) {
		t.Errorf("%v, %g", l.Histogram(), l.Quantile(0.5))
	}
	l.Add(0)
	l.Add(1e9)
	if h := l.Histogram(); len(h) == 0 || h[0].N != 1 {
		t.Errorf("%v", h)
	}
}
