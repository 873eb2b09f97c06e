package clock

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"tonepose/multitone"
)

const rate = 100e3

var nominal = []float64{5125, 6325, 13125}

// record makes a pickup channel and one or more drive channels.
func record(n int, offset func(k int, t float64) float64, sigma float64, shared bool, rng *rand.Rand) ([][]float64, []multitone.Tone) {
	channels := 2
	if !shared {
		channels = 1 + len(nominal)
	}
	x := make([][]float64, channels)
	for c := range x {
		x[c] = make([]float64, n)
	}
	var tones []multitone.Tone
	for k, f := range nominal {
		c := 1
		if !shared {
			c = 1 + k
		}
		tones = append(tones, multitone.Tone{Hz: f, Reference: multitone.OnChannel(c)})
		turns := rng.Float64()
		for i := range n {
			x[c][i] += 0.25 * math.Cos(2*math.Pi*turns)
			turns += f * (1 + offset(k, float64(i)/rate)) / rate
			turns -= math.Floor(turns)
		}
	}
	for c := range x {
		for i := range x[c] {
			x[c][i] += sigma * rng.NormFloat64()
		}
	}
	return x, tones
}

func follow(t *testing.T, mode Mode, x [][]float64, tones []multitone.Tone, block int) *Track {
	t.Helper()
	tr, err := NewTracker(mode, rate, tones)
	if err != nil {
		t.Fatal(err)
	}
	view := make([][]float64, len(x))
	for at := 0; at < len(x[0]); at += block {
		for c := range x {
			view[c] = x[c][at:min(at+block, len(x[0]))]
		}
		if err := tr.Write(view); err != nil {
			t.Fatal(err)
		}
	}
	track, err := tr.Finish()
	if err != nil {
		t.Fatal(err)
	}
	return track
}

// The variance of a frequency is the Cramér–Rao bound for a sine of known
// amplitude law in white noise, var ω = 24σ²/(A²N³) [rad²/sample²] (Rife and
// Boorstyn 1974), for a common clock summed over the tones' information with
// ω ∝ tone. A line fit over m ≥ 48 blocks gives up 1/m² of it. Of 400 squared
// errors the mean lies within 4·√(2/400) = 28 % of its value.
func TestOffsetReachesTheBound(t *testing.T) {
	const n, sigma, trials = 100000, 0.05, 400
	rng := rand.New(rand.NewPCG(1, 2))
	var information float64
	for _, f := range nominal {
		w := 2 * math.Pi * f / rate
		information += w * w * 0.25 * 0.25 * float64(n) * float64(n) * float64(n) / (24 * sigma * sigma)
	}
	bound := 1 / math.Sqrt(information)
	var sum, stated float64
	runs := trials / 10
	for range runs {
		truth := (2*rng.Float64() - 1) * 150e-6
		x, tones := record(n, func(int, float64) float64 { return truth }, sigma, true, rng)
		track := follow(t, Common, x, tones, 8192)
		e := track.Hz(0.5, 0.5)[0]/nominal[0] - 1 - truth
		sum += e * e / float64(runs)
		stated += track.Sigma(0, 0.5) / float64(runs)
	}
	if r := math.Sqrt(sum) / bound; math.Abs(r*r-1) > 4*math.Sqrt(2.0/float64(runs)) {
		t.Errorf("rms error is %.3f of the bound", r)
	}
	if r := stated / bound; math.Abs(r-1) > 0.05 {
		t.Errorf("stated sigma is %.3f of the bound", r)
	}
}

// What a tracker says midway is what a tracker of just the samples so far says
// at its end, and asking changes nothing of what follows. Blocks are 20 ms, so
// the stops lie before the first estimate, within the first eight blocks, and
// within and past a segment of one second. The noise that the frames wait for is
// judged in windows of 1024 samples, 16 of which are over after 0.17 s.
func TestAskedMidway(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	x, tones := record(330000, func(_ int, s float64) float64 { return 40e-6 + 2e-6*s }, 1e-3, true, rng)
	for i := 150000; i < 180000; i++ { // lost for a while
		x[1][i] = 1e-3 * rng.NormFloat64()
	}
	for _, mode := range []Mode{Common, Each} {
		tr, err := NewTracker(mode, rate, tones)
		if err != nil {
			t.Fatal(err)
		}
		at := 0
		for _, stop := range []int{100, 9000, 16001, 18000, 30000, 99999, 170001, 250000, 330000} {
			part := func(from int) [][]float64 { return [][]float64{x[0][from:stop], x[1][from:stop]} }
			if err := tr.Write(part(at)); err != nil {
				t.Fatal(err)
			}
			at = stop
			got, err := tr.Track()
			fresh, err2 := NewTracker(mode, rate, tones)
			if err2 != nil {
				t.Fatal(err2)
			}
			if err := fresh.Write(part(0)); err != nil {
				t.Fatal(err)
			}
			want, wantErr := fresh.Finish()
			if fmt.Sprint(err) != fmt.Sprint(wantErr) {
				t.Fatalf("mode %v, %d samples: error %v, of a fresh tracker %v", mode, stop, err, wantErr)
			}
			if err == nil && !reflect.DeepEqual(got, want) {
				t.Errorf("mode %v, %d samples: %+v, of a fresh tracker %+v", mode, stop, got, want)
			}
		}
	}
}

// Forgetting what is past keeps what is asked of the present.
func TestForgets(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	x, tones := record(500000, func(_ int, s float64) float64 { return 40e-6 + 2e-6*s }, 1e-3, true, rng)
	tr, err := NewTracker(Common, rate, tones)
	if err != nil {
		t.Fatal(err)
	}
	if err := tr.Write(x); err != nil {
		t.Fatal(err)
	}
	all, err := tr.Track()
	if err != nil {
		t.Fatal(err)
	}
	tr.Forget(2.9)
	late, err := tr.Finish()
	if err != nil {
		t.Fatal(err)
	}
	if len(late.segments) >= len(all.segments) {
		t.Errorf("%d segments kept of %d", len(late.segments), len(all.segments))
	}
	for _, s := range []float64{2.9, 3.3, 4.99} {
		if a, b := all.Hz(s, s+0.01), late.Hz(s, s+0.01); !slices.Equal(a, b) || all.Sigma(0, s) != late.Sigma(0, s) {
			t.Errorf("at %g s %v, before forgetting %v", s, b, a)
		}
	}
}

// A clock that is ahead by 1, 4, 6 and 6 µs at 1, 2, 4 and 8 s and gains 1, 4, -1 and
// 0 µs a second there, by hand: of a cubic with rates a, b at its ends and h between
// them the middle's rate is (3·rise − (a + b)/2)/2, its value the mean of the ends'
// plus (a − b)·h/8. Before the first middle the parabola of that segment, half a second
// long, with 2 µs/s².
func TestTrackIsACubicBetweenMiddles(t *testing.T) {
	const u = 1e-6
	at := func(time, offset, ahead, sigma, drift float64) segment {
		return segment{time: time, half: 0.5, offsets: []float64{offset * u}, sigmas: []float64{sigma}, drifts: []float64{drift * u}, ahead: []float64{ahead * u}}
	}
	k := &Track{nominal: []float64{1e6}, segments: []segment{at(1, 1, 1, 1, 2), at(2, 4, 4, 2, 0), at(4, -1, 6, 3, 0), at(8, 0, 6, 4, 0)}}
	for time, ahead := range map[float64]float64{
		0: 1 - 0.5 + 0.25, 0.5: 1 - 0.5 + 0.25, 0.75: 1 - 0.25 + 0.0625, 1: 1, 1.5: 2.5 - 3./8, 3: 5 + 5.*2/8, 6: 6 - 4./8, 8: 6, 9: 6,
	} {
		if got := (k.Cycles(0, time) - k.Cycles(0, 1)) - 1e6*(time-1); math.Abs(got-(ahead-1)) > 1e-8 {
			t.Errorf("at %g s ahead by %g µs since 1 s, want %g", time, got, ahead-1)
		}
	}
	for _, c := range []struct{ start, stop, ppm float64 }{
		{0, 0.5, 0}, {1, 1, 1}, {1.5, 1.5, (9 - 2.5) / 2}, {1, 2, 3}, {1, 1.5, 2.25}, {2, 4, 1}, {3, 3, (3 - 1.5) / 2}, {4, 4, -1}, {1, 8, 5. / 7}, {9, 12, 0},
	} {
		if got := (k.Hz(c.start, c.stop)[0]/1e6 - 1) * 1e6; math.Abs(got-c.ppm) > 1e-9 {
			t.Errorf("%g to %g s: %g ppm, want %g", c.start, c.stop, got, c.ppm)
		}
	}
	for s, want := range map[float64]float64{0: 1, 1.4: 1, 1.6: 2, 2.9: 2, 3.1: 3, 9: 4} {
		if got := k.Sigma(0, s); got != want {
			t.Errorf("sigma at %g s is that of segment %g, want %g", s, got, want)
		}
	}
}

func TestCapturesTheLargestOffset(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, mode := range []Mode{Common, Each} {
		for _, truth := range []float64{-MaxOffset, -37e-6, 0, MaxOffset} {
			for _, shared := range []bool{true, false} {
				for _, n := range []int{8000, 30000, 250000} {
					x, tones := record(n, func(int, float64) float64 { return truth }, 1e-4, shared, rng)
					track := follow(t, mode, x, tones, 5000)
					mid := float64(n) / 2 / rate
					for k, hz := range track.Hz(mid, mid) {
						// 8 sigmas: one in 10¹⁵, and far below any wrong turn
						if e := hz/nominal[k] - 1 - truth; math.Abs(e) > 8*track.Sigma(k, mid) {
							t.Errorf("mode %v shared %v n=%d tone %d: off by %.3g ppm, sigma %.3g", mode, shared, n, k, e*1e6, track.Sigma(k, mid)*1e6)
						}
					}
				}
			}
		}
	}
}

// A clock that warms up by 20 ppm/s. A line through a segment is exact at its
// middle for a steady drift, and so is what lies between two middles. What is
// left comes from the tones' leaking into each other: over a block of 20 ms a
// tone 0.25 Hz off its place bends by π·0.25·0.02 = 16 mrad at the edges, of
// which a neighbour 24 bins away sees at most 16/(2π·24) = 0.1 mrad. A phase
// error of that size tilts a line over one second by at most 6 times itself,
// 6e-4/(2π·5125) = 0.02 ppm of the lowest tone.
func TestFollowsADriftingClock(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	truth := func(_ int, s float64) float64 { return -30e-6 + 20e-6*s }
	x, tones := record(500000, truth, 1e-4, true, rng)
	track := follow(t, Common, x, tones, 8192)
	for _, s := range []float64{1, 2, 3, 4} {
		if e := track.Hz(s, s)[1]/nominal[1] - 1 - truth(0, s); math.Abs(e) > 0.02e-6 {
			t.Errorf("at %g s off by %.3g ppm", s, e*1e6)
		}
	}
}

// Neighbours on one channel that drift together by 100 ppm are not taken for tones with
// clocks of their own. If the blocks of 20 ms did not follow, 5 kHz would be 0.01 turns
// off over one at the end, and leave 0.01/12 of a radian in a neighbour six bins away,
// whose beat of half a turn a second would tilt its line by 2.6 mrad a second: 0.08 ppm.
func TestDriftingNeighboursDoNotStray(t *testing.T) {
	const n = 500000
	rng := rand.New(rand.NewPCG(19, 20))
	hz := []float64{5125, 5425.5, 14925}
	var tones []multitone.Tone
	x := [][]float64{make([]float64, n)}
	for k, f := range hz {
		tones = append(tones, multitone.Tone{Hz: f, Reference: multitone.OnChannel(0)})
		for i := range x[0] {
			s := float64(i) / rate
			x[0][i] += 0.25 * math.Cos(2*math.Pi*math.Mod(f*(s+10e-6*s*s), 1)+float64(k))
		}
	}
	for i := range x[0] {
		x[0][i] += 1e-5 * rng.NormFloat64()
	}
	if track := follow(t, Common, x, tones, 8192); track.StrayOffset != 0 {
		t.Errorf("tone %d is called a stray by %.3g ppm", track.StrayTone, track.StrayOffset*1e6)
	}
}

// The course of a clock that drifts, of tones with a reference and of one without, which
// must turn as the common clock tells. Segments are a second long, h: between their
// middles a cubic with true values and rates departs from x(t) by h⁴/384 times its fourth
// derivative; a line through a segment errs in its rate by h²/40 of the third, of
// which the cubic takes at most h/8 from each end: together less than h³/100 of the third.
// At the ends of the recording the parabola misses h³/48 of the third, less h³/80 for its
// rate. Noise of 1e-3 in
// 2000 samples of 0.25 leaves 0.2 mrad in each block, so below 0.1 mrad in a phase of 50,
// twice that where a parabola ends, three times for the tone without a reference, whose
// phase all others tell.
func TestCourseOfADriftingClock(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 18))
	const spin = 2 * math.Pi * 0.3
	for name, c := range map[string]struct {
		ahead, rate func(t float64) float64
		third       float64 // derivative of ahead [1/s²]
	}{
		"line":        {func(t float64) float64 { return 15e-6*t + 2.5e-6*t*t }, func(t float64) float64 { return 15e-6 + 5e-6*t }, 0},
		"exponential": {func(t float64) float64 { return 20e-6 * (t - 4*(1-math.Exp(-t/4))) }, func(t float64) float64 { return 20e-6 * (1 - math.Exp(-t/4)) }, 20e-6 / 16},
		"sinusoid":    {func(t float64) float64 { return 2e-6 * (1 - math.Cos(spin*t)) / spin }, func(t float64) float64 { return 2e-6 * math.Sin(spin*t) }, 2e-6 * spin * spin},
	} {
		x, tones := record(600000, func(_ int, s float64) float64 { return c.rate(s) }, 1e-3, false, rng)
		tones[2].Reference = multitone.Reference{}
		track := follow(t, Common, x, tones, 8192)
		for k, hz := range nominal {
			// Relative to one time in the middle: the phase at zero is the truth's own.
			const middle = 2.5
			for _, s := range []float64{0, 0.2, 0.5, 1, 1.7, 3.3, 4.2, 5, 5.8, 6} {
				got := track.Cycles(k, s) - track.Cycles(k, middle)
				want := hz * (s - middle + c.ahead(s) - c.ahead(middle))
				limit := hz*c.third/48 + 3*0.6e-3/(2*math.Pi)
				if e := got - want; math.Abs(e) > limit {
					t.Errorf("%s, tone %d at %g s: off by %.3g turns, limit %.3g", name, k, s, e, limit)
				}
			}
		}
	}
}

func TestLostReferenceIsFlaggedWhereItIsLost(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	x, tones := record(200000, func(int, float64) float64 { return 15e-6 }, 1e-3, false, rng)
	for i := 80000; i < 120000; i++ {
		x[2][i] = 1e-3 * rng.NormFloat64()
	}
	track := follow(t, Common, x, tones, 8192)
	if len(track.Lost) != 1 {
		t.Fatalf("%d losses, want 1: %v", len(track.Lost), track.Lost)
	}
	// a block is 20 ms: the loss is seen to the block
	if l := track.Lost[0]; l.Tone != 1 || math.Abs(float64(l.Start)-80000) > 2000 || math.Abs(float64(l.Stop)-120000) > 2000 {
		t.Errorf("loss %+v, want tone 1 from 80000 to 120000", l)
	}
	if e := track.Hz(1, 1)[1]/nominal[1] - 1 - 15e-6; math.Abs(e) > 0.1e-6 {
		t.Errorf("offset off by %.3g ppm while one of three references is lost", e*1e6)
	}
}

// One tone off by 3 ppm from the others' clock is named; a shared clock is not
// doubted.
func TestNamesAToneWithAClockOfItsOwn(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for _, own := range []float64{0, 3e-6} {
		x, tones := record(150000, func(k int, _ float64) float64 {
			if k == 2 {
				return 20e-6 + own
			}
			return 20e-6
		}, 1e-3, true, rng)
		track := follow(t, Common, x, tones, 8192)
		if stray := track.StrayOffset != 0; stray != (own != 0) || stray && track.StrayTone != 2 {
			t.Errorf("own offset %g ppm: tone %d strays by %g ppm", own*1e6, track.StrayTone, track.StrayOffset*1e6)
		}
	}
}

func TestNoUsableReference(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	x := [][]float64{make([]float64, 50000)}
	for i := range x[0] {
		x[0][i] = rng.NormFloat64()
	}
	tr, err := NewTracker(Common, rate, []multitone.Tone{{Hz: 5125, Reference: multitone.OnChannel(0)}})
	if err != nil {
		t.Fatal(err)
	}
	if err := tr.Write(x); err != nil {
		t.Fatal(err)
	}
	if _, err := tr.Finish(); !errors.Is(err, ErrNoReference) {
		t.Errorf("error %v, want ErrNoReference", err)
	}
}
