package clock

import (
	"cmp"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"tonepose/multitone"
)

// undriven makes pickup channels whose couplings swing through zero, each at a pace of
// its own, and tones without reference.
func undriven(n int, ppm, sigma float64, rng *rand.Rand) ([][]float64, []multitone.Tone) {
	const channels = 3
	x := make([][]float64, channels)
	var tones []multitone.Tone
	for c := range x {
		x[c] = make([]float64, n)
	}
	for k, f := range nominal {
		tones = append(tones, multitone.Tone{Hz: f, Pickups: []int{0, 1, 2}})
		phase := 2 * math.Pi * rng.Float64()
		for c := range x {
			pace, lag := 0.3+rng.Float64(), 2*math.Pi*rng.Float64()
			for i := range n {
				t := float64(i) / rate
				x[c][i] += math.Sin(2*math.Pi*pace*t+lag) * math.Cos(2*math.Pi*math.Mod(f*(1+1e-6*ppm)*t, 1)+phase+0.1*float64(c*k))
			}
		}
	}
	for c := range x {
		for i := range x[c] {
			x[c][i] += sigma * rng.NormFloat64()
		}
	}
	return x, tones
}

// Pickups tell the clock, whatever the signs of the couplings and wherever these
// change, to what the noise of their phases allows: within four of the stated sigmas.
func TestPickupsTellTheClock(t *testing.T) {
	for seed := range uint64(3) {
		rng := rand.New(rand.NewPCG(seed+1, 1))
		ppm := 400 * (rng.Float64() - 0.5)
		x, tones := undriven(rate*3/2, ppm, 0.01, rng)
		track := follow(t, Common, x, tones, 4096)
		if len(track.Lost) > 0 {
			t.Errorf("seed %d: lost %v", seed+1, track.Lost)
		}
		for k, hz := range track.Hz(0, 1.5) {
			off, sigma := hz/nominal[k]/(1+1e-6*ppm)-1, track.Sigma(k, 1)
			if math.Abs(off) > 4*sigma || sigma > 1e-7 {
				t.Errorf("seed %d: tone %d at %+.1f ppm is off by %.2g, stated %.2g", seed+1, k, ppm, off, sigma)
			}
		}
	}
}

// plan are tones of a drive file with random phases, and their axes where the file
// begins at a given time.
func plan(hz []float64, start, sigma, tolerance float64, rng *rand.Rand) (tones []Played, axes []Axis, phases []float64) {
	for _, f := range hz {
		tone := Played{Hz: f, Phase: 2 * math.Pi * rng.Float64(), Sigma: tolerance}
		phase := tone.Phase - 2*math.Pi*f*start + tolerance*rng.NormFloat64()
		tones, phases = append(tones, tone), append(phases, phase)
		axes = append(axes, Axis{Phase: phase + sigma*rng.NormFloat64() + math.Pi*float64(rng.IntN(3)-1), Sigma: sigma})
	}
	return tones, axes, phases
}

// Tones that are odd and even multiples of 25 Hz repeat every 40 ms, and with half
// turns of the odd ones every 20 ms: both starts are found and no other, and start,
// phases and chi-square of the true one are as they say.
func TestStartIsToldByTheAxes(t *testing.T) {
	const draws, tonesSeen = 60, 8
	var time, phase, square float64
	for seed := range uint64(draws) {
		rng := rand.New(rand.NewPCG(seed+1, 2))
		start := rng.Float64()*0.04 - 0.01
		hz := []float64{5125, 6325, 7450, 8925, 10150, 11375, 12725, 13900}
		tones, axes, phases := plan(hz, start, 2e-3, 0.02, rng)
		found, dof, err := Starts(tones, axes, -0.01, 0.03)
		if err != nil || dof != tonesSeen-1 || len(found) != 2 {
			t.Fatal(len(found), dof, err)
		}
		of := func(s Start) float64 { return math.Abs(s.Time - start) }
		best := slices.MinFunc(found, func(a, b Start) int { return cmp.Compare(of(a), of(b)) })
		time += math.Pow((best.Time-start)/best.Sigma, 2) / draws
		square += best.ChiSquare / draws / float64(dof)
		for k, p := range phases {
			phase += math.Pow(math.Remainder(best.Phases[k]-p, 2*math.Pi)/best.Sigmas[k], 2) / draws / tonesSeen
		}
	}
	t.Logf("squared error over prediction: start %.3f, phases %.3f, chi-square per degree of freedom %.3f", time, phase, square)
	// Means of chi-squares with one, eight and seven degrees of freedom.
	for what, v := range map[string][2]float64{"start": {time, 1}, "phases": {phase, tonesSeen}, "chi-square": {square, tonesSeen - 1}} {
		if loose := 4 * math.Sqrt(2/v[1]/draws); math.Abs(v[0]-1) > loose {
			t.Errorf("%s: %.3f, want 1 ± %.3f", what, v[0], loose)
		}
	}
}

// One tone tells nothing of its sign. Half a period of 5 kHz later, 10 kHz comes back
// and 15 kHz is turned with it: the sign of one of two, or that of both, stays open.
func TestStartsThatStayAmbiguous(t *testing.T) {
	for _, tones := range [][]float64{{5000}, {5000, 10000}, {5000, 15000}} {
		played, axes, _ := plan(tones, 0.01, 1e-3, 0, rand.New(rand.NewPCG(1, 3)))
		found, _, err := Starts(played, axes, 0, 0.1)
		if err != nil || len(found) != 2 || found[0].Repeats < 100 {
			t.Errorf("tones %v: %d starts, want 2 (%v)", tones, len(found), err)
		}
	}
}

func TestStartNeedsAxes(t *testing.T) {
	if _, _, err := Starts([]Played{{Hz: 5000}}, []Axis{{Sigma: math.Inf(1)}}, 0, 1); !errors.Is(err, ErrNoStart) {
		t.Errorf("where no tone is seen: %v", err)
	}
}
