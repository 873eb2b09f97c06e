package assessment

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/statistics"
)

// A resampling by units is the list written out.
func TestResampledStatistics(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		values := rapid.SliceOfN(rapid.OneOf(rapid.Float64Range(0, 10), rapid.Just(math.NaN())), 1, 30).Draw(rt, "values")
		units := rapid.SliceOfN(rapid.IntRange(0, 9), len(values), len(values)).Draw(rt, "units")
		times := rapid.SliceOfN(rapid.IntRange(0, 4), 10, 10).Draw(rt, "times")
		var list []float64
		for i, u := range units {
			if !math.IsNaN(values[i]) {
				list = append(list, slices.Repeat(values[i:i+1], times[u])...)
			}
		}
		if len(list) == 0 {
			rt.Skip("nothing drawn")
		}
		d := newDistribution(values, units)
		got := d.statistics(times[:len(d.n)])
		slices.Sort(list)
		want := [5]float64{rms(list), statistics.Quantile(list, 0.5), statistics.Quantile(list, 0.95), statistics.Quantile(list, 0.99), list[len(list)-1]}
		for k := range want {
			if math.Abs(got[k]-want[k]) > 1e-12 {
				rt.Errorf("statistic %d: %g, want %g", k, got[k], want[k])
			}
		}
	})
}

// Bias and agreement of a resampling are those of the samples written out: of poses
// whose orientation or covariance is not known, too.
func TestResampledBiasAndAgreement(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	u := units{n: 4, of: []int{0, 1, 0, 2, 3, 1, 2, 3, 0}}
	times := []int{2, 0, 1, 3}
	all := make([]Errors, len(u.of))
	var drawn []Errors
	for i := range all {
		e := &all[i]
		e.Position, e.Rotation = r3.Vec{X: rng.NormFloat64(), Y: 1, Z: rng.NormFloat64()}, r3.Vec{X: rng.NormFloat64(), Y: 2, Z: rng.NormFloat64()}
		e.NormalSq, e.PositionSq = rng.ExpFloat64(), 10*rng.Float64()
		if u.of[i] == 1 { // not drawn
			e.Rotation.X = math.NaN()
		}
		if i%4 == 3 {
			e.NormalSq, e.PositionSq = math.NaN(), math.NaN()
		}
		drawn = append(drawn, slices.Repeat(all[i:i+1], times[u.of[i]])...)
	}
	list := sumsOf(all, u)
	var want [6]float64
	var normal, inside, stated float64
	for _, e := range drawn {
		for k, v := range e.components() {
			want[k] += v / float64(len(drawn))
		}
		if math.IsNaN(e.NormalSq) {
			continue
		}
		stated++
		normal += e.NormalSq
		// The 95 % point of chi-square with 3 degrees of freedom: Abramowitz and
		// Stegun, table 26.8.
		if e.PositionSq <= 7.81473 {
			inside++
		}
	}
	got := list.bias(times)
	for k := range want {
		if !(math.Abs(got[k]-want[k]) < 1e-14) {
			t.Errorf("component %d: %g, want %g", k, got[k], want[k])
		}
	}
	if n, i := list.agreement(times); math.Abs(n-normal/stated) > 1e-14 || i != inside/stated {
		t.Errorf("agreement %g, %g, want %g, %g", n, i, normal/stated, inside/stated)
	}
}

// 95 % intervals of the RMS and of the bias hold the true value in about 95 % of
// experiments. With 60 stations percentile intervals fall a few percent short of
// it, as they do for any skew statistic (Efron and Tibshirani 1993, chapter 14):
// between 0.90 and 0.98 of 300, ± 4·√(0.95·0.05/300) = 0.05 for chance.
func TestBootstrapCovers(t *testing.T) {
	const experiments, stations = 300, 60
	rng := rand.New(rand.NewPCG(3, 3))
	bias := r3.Vec{X: 1e-4, Y: -2e-4}
	const sigma = 2e-4
	truth := math.Sqrt(r3.Norm2(bias) + 3*sigma*sigma)
	inRMS, inBias := 0, 0
	for run := range experiments {
		var samples []Sample
		for i := range stations {
			e := r3.Add(bias, r3.Vec{X: sigma * rng.NormFloat64(), Y: sigma * rng.NormFloat64(), Z: sigma * rng.NormFloat64()})
			samples = append(samples, Sample{Estimate: rigid.Identity().Plus(e, r3.Vec{}), Truth: rigid.Identity(), Station: i + 1, Visit: i + 1})
		}
		r, all := Summarise(samples)
		if err := r.Bootstrap(t.Context(), samples, all, 0.95, 300, uint64(run)); err != nil {
			t.Fatal(err)
		}
		c := r.Confidence
		if c.Unit != "stations" || c.Units != stations {
			t.Fatalf("drew %d %s", c.Units, c.Unit)
		}
		if c.PositionRMS.Lo <= truth && truth <= c.PositionRMS.Hi {
			inRMS++
		}
		if b := c.PositionBias[0]; b.Lo <= bias.X && bias.X <= b.Hi {
			inBias++
		}
	}
	for name, n := range map[string]int{"RMS": inRMS, "bias": inBias} {
		if share := float64(n) / experiments; share < 0.88 || share > 0.99 {
			t.Errorf("%s: %.3f of the intervals hold the true value", name, share)
		}
	}
}

// Neighbours that share an error count as one: intervals from visits are wider
// than from single windows by √(windows a visit) when all share it.
func TestBootstrapDrawsWhatIsIndependent(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	const stations, windows = 40, 9
	var together, apart []Sample
	for s := range stations {
		e := rng.NormFloat64()
		for range windows {
			together = append(together, oneAxis(e, s+1, s+1))
		}
		apart = append(apart, oneAxis(e, s+1, s+1))
	}
	width := func(samples []Sample) float64 {
		r, all := Summarise(samples)
		if err := r.Bootstrap(t.Context(), samples, all, 0.95, 4000, 1); err != nil {
			t.Fatal(err)
		}
		return r.Confidence.PositionBias[0].Hi - r.Confidence.PositionBias[0].Lo
	}
	// The same draws of stations: the same means.
	if a, b := width(together), width(apart); math.Abs(a/b-1) > 1e-9 {
		t.Errorf("interval %.4f with windows that share their error, %.4f with one each", a, b)
	}
}

func TestBootstrapIsSeeded(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	var samples []Sample
	for i := range 50 {
		s := oneAxis(rng.NormFloat64(), 0, 0)
		s.Time = float64(i)
		samples = append(samples, s)
	}
	run := func(seed uint64) Confidence {
		r, all := Summarise(samples)
		if err := r.Bootstrap(t.Context(), samples, all, 0.9, 200, seed); err != nil {
			t.Fatal(err)
		}
		return *r.Confidence
	}
	if a, b := run(1), run(1); a.PositionRMS != b.PositionRMS {
		t.Error("one seed gave two intervals")
	}
	if a, b := run(1), run(2); a.PositionRMS == b.PositionRMS {
		t.Error("two seeds gave one interval")
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	r, all := Summarise(samples)
	if err := r.Bootstrap(ended, samples, all, 0.9, 200, 1); !errors.Is(err, context.Canceled) || r.Confidence != nil {
		t.Errorf("of a context that has ended: %v, error %v", r.Confidence, err)
	}
	if c := run(1); c.Unit != "blocks" || c.Units != 13 { // ⌈50^⅓⌉ = 4
		t.Errorf("drew %d %s", c.Units, c.Unit)
	}
}
