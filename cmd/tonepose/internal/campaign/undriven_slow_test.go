//go:build slow

package campaign

import (
	"sync"
	"testing"
)

// Every kind of recording without a digitised drive, over a hundred benches with a
// start, currents and a path of their own each: coverage is known to 2.2 %, and of all
// to 0.9 %.
func TestUndrivenAtLength(t *testing.T) {
	var all Score
	var lock sync.Mutex
	t.Run("kinds", func(t *testing.T) {
		for name, u := range map[string]undriven{
			"at rest":        {current: 0.02, phaseDeg: 2, seconds: 0.2},
			"moving":         {current: 0.01, seconds: 0.2, speed: 0.2},
			"own clock":      {current: 0.02, ppm: 35, drift: 0.5, seconds: 0.6, speed: 0.05},
			"odd multiples":  {current: 0.02, tones: multiples(false), seconds: 0.2},
			"even multiples": {current: 0.05, phaseDeg: 5, tones: multiples(true), seconds: 0.2},
			"two coils":      {current: 0.02, phaseDeg: 2, coils: 2, seconds: 0.2},
		} {
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				s := u.check(t, 100)
				lock.Lock()
				defer lock.Unlock()
				all.Join(&s)
			})
		}
	})
	all.Log(t)
	all.Covers(t, 0)
}

// The start of a file that plays through twenty seconds from a clock of its own, which
// drifts, loses no turn.
func TestUndrivenForLong(t *testing.T) {
	u := undriven{current: 0.02, ppm: -60, drift: 1, seconds: 20, speed: 0.05}
	var s Score
	start, flags := u.play(t, 1, &s)
	flagged := 0
	for _, f := range flags {
		if f != 0 {
			flagged++
		}
	}
	if doubts := start.Doubts(); flagged > 0 || len(doubts) > 0 || s.Normalised() > 4 {
		t.Errorf("%d of %d poses are flagged; %q; normalised error² %.2f", flagged, len(flags), doubts, s.Normalised())
	}
}
