package frequencyplan

import (
	"context"
	"math"
	"testing"
)

// Beside picks what going through the whole grid with Check picks: of the tones that add
// no conflict the farthest from all others.
func TestBesideIsTheFarthestThatCheckTakes(t *testing.T) {
	for _, given := range [][]float64{{5125}, {5125, 7375.4}, {2000, 3000, 4000}, {611.675, 5125}} {
		s := Spec{Tones: 1, RateHz: 50000, WindowS: 40e-3, SpacingHz: 100, MainsHz: []float64{50}, MarginHz: 12.5, LowHz: 2000, HighHz: 9000}
		got, err := Beside(t.Context(), s, given, 3)
		if err != nil {
			t.Fatal(err)
		}
		tones := given
		before, err := Check(s, tones)
		if err != nil {
			t.Fatal(err)
		}
		for k, hz := range got {
			best, farthest := 0.0, 0.0
			for f := 2000.0; f <= 9000; f += 25 {
				near := math.Inf(1)
				for _, other := range tones {
					near = math.Min(near, math.Abs(other-f))
				}
				if near <= farthest {
					continue
				}
				conflicts, err := Check(s, append(tones[:len(tones):len(tones)], f))
				if err != nil {
					t.Fatal(err)
				}
				if len(conflicts) == len(before) {
					best, farthest = f, near
				}
			}
			if hz != best {
				t.Errorf("beside %v: tone %d is %g Hz, the farthest that Check takes is %g Hz", given, k, hz, best)
			}
			tones = append(tones[:len(tones):len(tones)], hz)
		}
	}
}

// The longest periods and most tones that LowCrest takes end within its effort: one
// evaluation may go over it.
func TestLowCrestIsBounded(t *testing.T) {
	hz, amplitudes := make([]float64, maxTones), make([]float64, maxTones)
	for k := range hz {
		hz[k], amplitudes[k] = float64(maxOrder-2*k), 1
	}
	m, err := newMultisine(hz, amplitudes, 1)
	if err != nil {
		t.Fatal(err)
	}
	f := newPowerMean(m)
	f.work = crestEffort - 3*f.n*maxTones
	at := f.descend(context.Background(), SchroederPhases(amplitudes))
	if len(at) != maxTones || f.work > crestEffort+3*f.n*maxTones {
		t.Errorf("work %d of %d", f.work, crestEffort)
	}
}
