package kernel

import (
	"fmt"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

// The loops in assembly must refer rows as that in Go does, but for rounding: a
// product of three numbers around 1 errs by a few 2⁻⁵².
func TestLaneReferralMatchesGo(t *testing.T) { varianttest.Each(t, laneKernel, testLaneReferral) }

func testLaneReferral(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 5))
	for _, channels := range []int{1, 2, 5, 12} {
		for _, tones := range []int{1, 7, 8, 9, 17} {
			for _, shared := range []bool{false, true} {
				t.Run(fmt.Sprintf("channels=%d/tones=%d/shared=%v", channels, tones, shared), func(t *testing.T) {
					reference, volts := make([]int, tones), make([]float64, channels)
					for k := range reference {
						reference[k] = rng.IntN(channels)
						if shared {
							reference[k] = channels - 1
						}
					}
					for c := range volts {
						volts[c] = 1 + rng.Float64()
					}
					ahead := random(rng, tones)
					groups := (tones + Lanes - 1) / Lanes
					fast, slow := NewLaneReferral(reference, ahead, volts), NewLaneReferral(reference, ahead, volts)
					slow.loop = turnLanesGo
					for silent := range 2 {
						row := random(rng, groups*channels*Lanes)
						if silent == 1 {
							clear(row) // references of size 0
						}
						inside, untouched := guard[float64](t, 2*tones*channels)
						got, want := complexes(inside), make([]complex128, tones*channels)
						fast.Refer(got, row)
						slow.Refer(want, row)
						untouched()
						for i := range want {
							if cmplx.Abs(got[i]-want[i]) > 1e-13 {
								t.Fatalf("number %d: %v, want %v", i, got[i], want[i])
							}
						}
						for k := range tones {
							if cmplx.Abs(fast.References[k]-slow.References[k]) > 1e-13 {
								t.Fatalf("reference %d: %v, want %v", k, fast.References[k], slow.References[k])
							}
						}
					}
				})
			}
		}
	}
}
