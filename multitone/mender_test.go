package multitone

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// bursty is a channel with its noise and samples that are off by size.
func bursty(seed uint64, n int, sigma, size float64, every int) (x, sound []float64, at []int) {
	rng := rand.New(rand.NewPCG(seed, 40))
	x = make([]float64, n)
	sines(x, 100e3, []float64{5123.4, 7577.7, 9011.3, 50}, []complex128{0.1, complex(0, 0.05), 0.02, 0.01})
	for i := range x { // the sensor moves
		x[i] *= 1 + 0.1*math.Sin(2*math.Pi*3*float64(i)/100e3)
	}
	noise(x, sigma, rng)
	sound = slices.Clone(x)
	for i := rng.IntN(every); i < n; i += 1 + rng.IntN(2*every) {
		x[i] += size * (1 - 2*float64(rng.IntN(2)))
		at = append(at, i)
	}
	return x, sound, at
}

func menderOf(t *testing.T) *Mender {
	t.Helper()
	m, err := NewMender(Config{SampleRate: 100e3, Channels: 1, Tones: []Tone{
		{Hz: 5123.4}, {Hz: 7577.7}, {Hz: 9011.3}}}, 8000)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// Bursts are found, each and nothing else: above eight sigmas by six more, so that
// noise hides none in 1e9, and far above.
func TestOutliers(t *testing.T) {
	const sigma = 1e-3
	m := menderOf(t)
	for seed := range uint64(10) {
		for _, size := range []float64{15 * sigma, 0.2, 5} {
			x, _, at := bursty(seed+1, 8000, sigma, size, 2000)
			var want []Span
			for _, i := range at {
				want = append(want, Span{int64(i), int64(i) + 1})
			}
			if got := m.Outliers(nil, x, nil, 0); !slices.Equal(got, want) {
				t.Errorf("seed %d, bursts of %g: found %v, want %v", seed+1, size, got, want)
			}
		}
	}
}

// A stretch too short to be fitted has none that can be told, whatever the memory held.
func TestNoOutliersOfAShortStretch(t *testing.T) {
	m := menderOf(t)
	if got := m.Outliers([]Span{{1, 2}}, make([]float64, 10), nil, 0); len(got) > 0 {
		t.Errorf("found %v in ten samples", got)
	}
}

// Sound signals have no outliers: in noise, without any, moving, and of a tone that
// is none of ours; nor are flat tops or a drive that is switched taken for them.
func TestNoOutliers(t *testing.T) {
	m := menderOf(t)
	for seed := range uint64(10) {
		_, x, _ := bursty(seed+1, 8000, 1e-3, 0, 2000)
		_, still, _ := bursty(seed+1, 8000, 0, 0, 2000)
		foreign := slices.Clone(x)
		sines(foreign, 100e3, []float64{6543.2}, []complex128{0.5})
		clipped, switched := slices.Clone(x), slices.Clone(x)
		for i := range clipped {
			clipped[i] = min(clipped[i], 0.1)
		}
		clear(switched[:3000])
		for name, x := range map[string][]float64{"noise": x, "no noise": still, "foreign": foreign, "clipped": clipped, "switched": switched} {
			if got := m.Outliers(nil, x, nil, 1e-6); len(got) > 0 {
				t.Errorf("seed %d, %s: %v", seed+1, name, got)
			}
		}
	}
}

// What is put in the place of bad samples is off the sound signal by less than its
// noise: the fit has 21 unknowns in 400 samples or more, and at the edge of a gap a parabola's
// error is below the noise of one sample.
func TestMend(t *testing.T) {
	const sigma = 1e-3
	m := menderOf(t)
	for seed := range uint64(10) {
		x, sound, at := bursty(seed+1, 8000, sigma, 0.2, 2000)
		bad := []Span{{0, 10}, {3000, 3100}, {7990, 8000}}
		for _, i := range at {
			bad = append(bad, Span{int64(i), int64(i) + 1})
		}
		slices.SortFunc(bad, func(a, b Span) int { return int(a.Start - b.Start) })
		for _, s := range bad {
			for i := s.Start; i < s.Stop; i++ {
				x[i] = 7
			}
		}
		if left := m.Mend(x, bad); left != nil {
			t.Errorf("not mended: %v", left)
		}
		var square, count float64
		for _, s := range bad {
			for i := s.Start; i < s.Stop; i++ {
				square += (x[i] - sound[i]) * (x[i] - sound[i])
				count++
			}
		}
		// Noise of the sound sample itself, and of the fit less than that.
		if rms := math.Sqrt(square / count); rms > 2*sigma {
			t.Errorf("seed %d: off by %.3g, noise %.3g", seed+1, rms, sigma)
		}
	}
	x := make([]float64, 2000)
	if left := m.Mend(x, []Span{{0, 1900}}); len(left) != 1 {
		t.Error("a fit to nothing")
	}
}

// middle finds what sorting finds, whatever the length and however many are equal.
func TestMiddle(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	for n := 1; n <= 300; n++ {
		x := make([]float64, n)
		for i := range x {
			x[i] = float64(rng.IntN(1 + n/2))
		}
		if got, want := new(median).of(x, largest(x)), slices.Sorted(slices.Values(x))[n/2]; got != want {
			t.Fatalf("%v: %g, want %g", x, got, want)
		}
	}
}
