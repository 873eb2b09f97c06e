package recording

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// dropped is a recording of three channels, drives of 20,000 counts and a pickup of 300 in
// noise, of which stretches are held or zero: on all channels or on one.
func dropped(seed uint64, runs [][2]int, zero bool, only int) []int16 {
	const n, channels = 60_000, 3
	rng := rand.New(rand.NewPCG(seed, 5))
	d := make([]int16, n*channels)
	for i := range n {
		for c := range channels {
			size := []float64{20_000, 18_000, 300}[c]
			d[i*channels+c] = quantise(size*math.Sin(float64(i)*(0.3+0.07*float64(c))) + 4*rng.NormFloat64())
		}
	}
	for _, r := range runs {
		for i := r[0]; i < r[1]; i++ {
			for c := range channels {
				if only >= 0 && c != only {
					continue
				}
				d[i*channels+c] = d[(r[0]-1)*channels+c]
				if zero {
					d[i*channels+c] = 0
				}
			}
		}
	}
	return d
}

// Runs of zeros and of held values are found wherever they lie, beside the borders
// of the pieces that are looked at together as well, to within the sound sample that
// is held and one that is equal by chance.
func TestHeld(t *testing.T) {
	const channels = 3
	for seed := range uint64(6) {
		rng := rand.New(rand.NewPCG(seed+1, 6))
		for _, only := range []int{-1, 0, 2} {
			least := 10
			if only >= 0 {
				least = 40 // one channel alone must stay longer to be beyond chance
			}
			var runs [][2]int
			for _, at := range []int{3000, 4096, 8192 - least, 12288 - least/2, 20480 - 400, 30000 + rng.IntN(4096), 40960 - 1} {
				runs = append(runs, [2]int{at, at + least + rng.IntN(400-least)})
			}
			runs[2][1] = 8192
			for _, zero := range []bool{false, true} {
				d := dropped(seed+1, runs, zero, only)
				x := make([][]float64, channels)
				for i, v := range d {
					x[i%channels] = append(x[i%channels], float64(v)/7)
				}
				for name, m := range map[string]*Monitor{"counts": watched(d, channels), "floats": watchedFloats(x...)} {
					what := fmt.Sprintf("seed %d, %s, channel %d, zero %v", seed+1, name, only, zero)
					want := Gap
					if only >= 0 {
						want = Stuck
					}
					found := 0
					for _, e := range m.Events() {
						if e.Kind != want || e.Channel != only {
							t.Errorf("%s: %+v", what, e)
						}
						found++
					}
					if found != len(runs) {
						t.Errorf("%s: %d found, want %d", what, found, len(runs))
					}
					for _, r := range runs {
						covered := 0
						m.Unsound(max(only, 0), int64(r[0])-50, int64(r[1])+50, func(start, stop int64) {
							if start < int64(r[0])-2 || stop > int64(r[1])+2 {
								t.Errorf("%s: [%d, %d), want %v", what, start, stop, r)
							}
							covered += int(min(stop, int64(r[1])) - max(start, int64(r[0])))
						})
						if covered != r[1]-r[0] {
							t.Errorf("%s: %d samples of %v are called unsound", what, covered, r)
						}
					}
				}
			}
		}
	}
}

// All channels at once are what each is by itself, for any number of them.
func TestStridesOfAllChannels(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 16))
	for channels := 1; channels <= 13; channels++ {
		for _, codes := range []int{2, 40, 60000} {
			n := 100 + rng.IntN(20)
			x := make([]int16, n*channels)
			for i := range x {
				x[i] = int16(rng.IntN(codes) - codes/2)
			}
			got := make([]chances, channels)
			strides16(got, bytesOf(x), n)
			for c := range got {
				want := strides(func(i int) float64 { return float64(x[i*channels+c]) }, n)
				if got[c] != want {
					t.Fatalf("channel %d of %d, %d codes: %+v, want %+v", c, channels, codes, got[c], want)
				}
			}
		}
	}
}
