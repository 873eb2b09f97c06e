package clock

import (
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/multitone"
)

// slipped is a drive with several tones under a clock that is off and drifts, in
// noise, of which samples are lost (n > 0) or come twice (n < 0) at some places of
// the recording.
func slipped(seed uint64, hz []float64, samples int, offset, drift float64, at []int, n []int64) []float64 {
	const rate = 100e3
	rng := rand.New(rand.NewPCG(seed, 70))
	phase := make([]float64, len(hz))
	for k := range phase {
		phase[k] = 2 * math.Pi * rng.Float64()
	}
	x := make([]float64, samples)
	real := 0 // number of the sample in the world
	for i, next := 0, 0; i < samples; i++ {
		if next < len(at) && i == at[next] {
			real += int(n[next])
			next++
		}
		t := float64(real) / rate
		t += offset*t + drift*t*t/2
		for k, f := range hz {
			x[i] += math.Sin(2*math.Pi*math.Mod(f*t, 1) + phase[k])
		}
		x[i] += 1e-3 * rng.NormFloat64()
		real++
	}
	return x
}

func drives(hz []float64) (tones []multitone.Tone) {
	for _, f := range hz {
		tones = append(tones, multitone.Tone{Hz: f, Reference: multitone.OnChannel(0)})
	}
	return tones
}

func trackOf(t *testing.T, mode Mode, hz, x []float64) *Track {
	t.Helper()
	tracker, err := NewTracker(mode, 100e3, drives(hz))
	if err != nil {
		t.Fatal(err)
	}
	for from := 0; from < len(x); from += 8192 {
		if err := tracker.Write([][]float64{x[from:min(from+8192, len(x))]}); err != nil {
			t.Fatal(err)
		}
	}
	track, err := tracker.Finish()
	if err != nil {
		t.Fatal(err)
	}
	return track
}

// Samples that are lost or come twice are counted exactly and placed to within the
// room stated, wherever in a block they are; the frequencies are as if there were
// none, to the bound of the noise.
func TestSlips(t *testing.T) {
	hz := []float64{5125, 6325, 7525, 8725} // multiples of 25 Hz: 4000 samples more are as good
	for seed := range uint64(8) {
		rng := rand.New(rand.NewPCG(seed+1, 71))
		const samples = 260_000
		at := []int{1000 + rng.IntN(10_000), 70_000 + rng.IntN(20_000), 98_000 + rng.IntN(4000), 200_000 + rng.IntN(20_000)}
		n := []int64{1 + rng.Int64N(100), -1 - rng.Int64N(100), 1, 1 + rng.Int64N(1900)}
		offset := 150e-6 * (2*rng.Float64() - 1)
		track := trackOf(t, Common, hz, slipped(seed+1, hz, samples, offset, 1e-6, at, n))
		if len(track.Slips) != len(n) {
			t.Errorf("seed %d: %+v, want %v at %v", seed+1, track.Slips, n, at)
			continue
		}
		for i, s := range track.Slips {
			if s.Lost != n[i] || int64(at[i]) < s.Start || int64(at[i]) > s.Stop || s.Stop-s.Start > 8*slipRoom {
				t.Errorf("seed %d: %+v, want %d at %d", seed+1, s, n[i], at[i])
			}
		}
		if track.StrayOffset != 0 {
			t.Errorf("seed %d: a tone strays by %g", seed+1, track.StrayOffset)
		}
		// Two thousand lost samples are 20 ms of drift, 2e-8, as a step within a segment.
		for _, s := range []float64{0.5, 1.5, 2.2} {
			if got, want := track.Hz(s-0.1, s+0.1)[0]/hz[0]-1, offset+1e-6*s; math.Abs(got-want) > 1e-7 {
				t.Errorf("seed %d: offset %.4g at %g s, want %.4g", seed+1, got, s, want)
			}
		}
	}
}

// Nothing slips where nothing does: not under a clock that drifts, not where one tone's
// phase steps by itself, nor with one tone alone, whose steps any length explains.
func TestNoSlips(t *testing.T) {
	hz := []float64{5125, 6325, 7525, 8725}
	const samples = 260_000
	for seed := range uint64(4) {
		if track := trackOf(t, Common, hz, slipped(seed+1, hz, samples, 100e-6, 5e-6, nil, nil)); len(track.Slips) > 0 {
			t.Errorf("seed %d, drift: %+v", seed+1, track.Slips)
		}
		x := slipped(seed+1, hz[:3], samples, 20e-6, 0, nil, nil)
		for i := range x { // another tone's phase steps by a radian
			x[i] += math.Sin(2*math.Pi*hz[3]*(1+20e-6)*float64(i)/100e3 + math.Floor(float64(i)/150e3))
		}
		if track := trackOf(t, Common, hz, x); len(track.Slips) > 0 {
			t.Errorf("seed %d, step of one tone: %+v", seed+1, track.Slips)
		}
		x = slipped(seed+1, hz[:1], samples, 20e-6, 0, []int{150_000}, []int64{17})
		if track := trackOf(t, Common, hz[:1], x); len(track.Slips) > 0 {
			t.Errorf("seed %d, one tone: %+v", seed+1, track.Slips)
		}
	}
}
