//go:build slow

package campaign

import "testing"

// Every kind of recording without a digitised drive, over three hundred benches with a
// start, currents and a path of their own each: coverage is known to 1.3 %.
func TestUndrivenAtLength(t *testing.T) {
	for name, u := range map[string]undriven{
		"at rest":        {current: 0.02, phaseDeg: 2, seconds: 0.2},
		"moving":         {current: 0.01, seconds: 0.2, speed: 0.2},
		"own clock":      {current: 0.02, ppm: 35, drift: 0.5, seconds: 1.5, speed: 0.05},
		"odd multiples":  {current: 0.02, tones: multiples(false), seconds: 0.2},
		"even multiples": {current: 0.05, phaseDeg: 5, tones: multiples(true), seconds: 0.2},
		"two coils":      {current: 0.02, phaseDeg: 2, coils: 2, seconds: 0.2},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			u.check(t, 300)
		})
	}
}

// The start of a file that plays through half a minute from a clock of its own, which
// drifts, loses no turn.
func TestUndrivenForLong(t *testing.T) {
	var s Score
	u := undriven{current: 0.02, ppm: -60, drift: 1, seconds: 30, speed: 0.05}
	for seed := range uint64(3) {
		start, flags := u.play(t, seed+1, &s)
		flagged := 0
		for _, f := range flags {
			if f != 0 {
				flagged++
			}
		}
		if doubts := start.Doubts(); flagged > 0 || len(doubts) > 0 {
			t.Errorf("seed %d: %d of %d poses are flagged; %q", seed+1, flagged, len(flags), doubts)
		}
	}
	s.Log(t)
	s.Covers(t, 0)
}
