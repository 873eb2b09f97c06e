package correction

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
)

const area = 0.004 // m², of the invented pickups

// inventedResiduals is what two emitters above a plate leave that is not in
// their models: the fields of their images 0.2 m below the volume's middle.
// Places are off by sigma, which moves the couplings by a slope of 3e-6 T/m.
func inventedResiduals(random *rand.Rand, images []fieldmodels.Source, stations int, noise, sigma float64) []Station {
	var out []Station
	for range stations {
		at := r3.Vec{X: 0.2 * (random.Float64() - 0.5), Y: 0.2 * (random.Float64() - 0.5), Z: 0.12 * (random.Float64() - 0.5)}
		st := Station{}
		for _, along := range []r3.Vec{{X: area}, {Y: area}, {Z: area}} {
			st.Pickups = append(st.Pickups, []Point{{at, along}})
		}
		off := sigma * random.NormFloat64()
		for e, src := range images {
			b, err := src.Field(at)
			if err != nil {
				panic(err)
			}
			for c, v := range []float64{b.X, b.Y, b.Z} {
				slope := 3e-6 * area * math.Cos(float64(3*e+c))
				st.Residual = append(st.Residual, area*v+noise*random.NormFloat64()+slope*off)
				st.Variance = append(st.Variance, noise*noise+slope*slope*sigma*sigma)
			}
		}
		out = append(out, st)
	}
	return out
}

func images() []fieldmodels.Source {
	var out []fieldmodels.Source
	for _, x := range []float64{-0.08, 0.1} {
		out = append(out, fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, r3.Vec{X: x, Y: 0.03, Z: -0.2}, r3.Vec{X: 0.2, Z: -1}))
	}
	return out
}

func TestFitPredictsOtherPlaces(t *testing.T) {
	random := rand.New(rand.NewPCG(6, 6))
	const noise = 2e-12
	src := images()
	m, err := Fit(inventedResiduals(random, src, 60, noise, 5e-5), len(src), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if m.After > m.Before/9 {
		t.Errorf("held-out mean square %.3g before, %.3g after", m.Before, m.After)
	}
	// Couplings without noise at places of their own.
	var before, after, normalised float64
	test := inventedResiduals(random, src, 200, 1e-30, 1e-30)
	variance := make([]float64, 6)
	for _, st := range test {
		m.Variances(variance, st.Pickups)
		for i, want := range st.Residual {
			p := st.Pickups[i%3][0]
			b, _ := m.Source(i / 3).Field(p.At)
			d := r3.Dot(b, p.Along) - want
			before += want * want
			after += d * d
			normalised += d * d / variance[i] / float64(6*len(test))
		}
	}
	if after > before/100 {
		t.Errorf("rms error %.3g H without, %.3g H with the correction", math.Sqrt(before/1200), math.Sqrt(after/1200))
	}
	// The prior is not the law by which plates are made, and its degrees are few.
	// What is stated should err on the side of caution, by a factor of three in
	// sigma at most.
	if normalised < 0.1 || normalised > 2 {
		t.Errorf("mean squared error over its variance %.2f", normalised)
	}
}

// Away from what was mapped the uncertainty grows without bound.
func TestUncertaintyGrowsOutside(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 6))
	src := images()
	m, err := Fit(inventedResiduals(random, src, 60, 2e-12, 5e-5), len(src), Options{})
	if err != nil {
		t.Fatal(err)
	}
	last := 0.0
	for i, r := range []float64{0.3, 1, 1.4, 2, 3} {
		sum, variance := 0.0, make([]float64, 6)
		for _, d := range []r3.Vec{{X: 1}, {X: -1}, {Y: 1}, {Y: -1}, {Z: 1}, {Z: -1}} {
			at := r3.Add(m.Center, r3.Scale(r*m.Radius, d))
			m.Variances(variance, [][]Point{{{at, r3.Vec{X: area}}}, {{at, r3.Vec{Y: area}}}, {{at, r3.Vec{Z: area}}}})
			for _, v := range variance {
				sum += v / 36
			}
		}
		if sigma := math.Sqrt(sum); i > 0 && sigma < 1.7*last {
			t.Errorf("at %g radii: sigma %.3g H, nearer %.3g H", r, sigma, last)
		} else {
			last = sigma
		}
	}
}

func TestNoiseHoldsNoField(t *testing.T) {
	silent := []fieldmodels.Source{fieldmodels.Sum{}, fieldmodels.Sum{}}
	nothing := 0
	for seed := range uint64(10) {
		random := rand.New(rand.NewPCG(seed, 9))
		m, err := Fit(inventedResiduals(random, silent, 40, 2e-12, 5e-5), 2, Options{Degree: 3})
		switch {
		case errors.Is(err, ErrNothing):
			nothing++
		case err != nil:
			t.Fatal(err)
		case m.After < 0.9*m.Before:
			t.Errorf("seed %d: noise predicts noise: %.3f after, %.3f before", seed, m.After, m.Before)
		}
	}
	if nothing == 0 {
		t.Error("noise was always taken for a field")
	}
}

func TestMapReadsBack(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	src := images()
	m, err := Fit(inventedResiduals(random, src, 30, 2e-12, 5e-5), len(src), Options{Degree: 2})
	if err != nil {
		t.Fatal(err)
	}
	text, err := m.Encode()
	if err != nil {
		t.Fatal(err)
	}
	back, err := Decode(text, len(src))
	if err != nil {
		t.Fatal(err)
	}
	again, _ := back.Encode()
	if string(again) != string(text) {
		t.Error("a map read back is another")
	}
	if _, err := Decode(text, 3); err == nil {
		t.Error("a map of two emitters is taken for three")
	}
	back.Emitters[1].Coefficients = back.Emitters[1].Coefficients[1:]
	broken, _ := back.Encode()
	if _, err := Decode(broken, 2); err == nil {
		t.Error("a map of seven coefficients is taken")
	}
}
