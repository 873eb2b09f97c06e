package kernel

import (
	"fmt"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

func random(rng *rand.Rand, n int) []complex128 {
	x := make([]complex128, n)
	for i := range x {
		x[i] = complex(rng.NormFloat64(), rng.NormFloat64())
	}
	return x
}

// The loops in assembly must give what the loop in Go gives, but for rounding:
// at most 24 products of numbers around 1, each some 2⁻⁵² off.
func TestCascadeMatchesGo(t *testing.T) { varianttest.Each(t, cascadeKernel, testCascade) }

func testCascade(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 8))
	for _, order := range []int{1, 3, 4, 8} {
		for degree := order; degree <= 10; degree++ {
			for _, channels := range []int{1, 2, 5, 12} {
				for _, filled := range []string{"triangle", "pairs", "full", "none"} {
					const groups = 3
					t.Run(fmt.Sprintf("order=%d/degree=%d/channels=%d/filled=%s", order, degree, channels, filled), func(t *testing.T) {
						c := &Cascade{Order: order, Degree: degree, Turn: random(rng, groups*Lanes)}
						full := filled == "full"
						for j := range order {
							for i := range order {
								v := 0.0
								if i < j && filled == "triangle" || i/2 == j/2 && filled == "pairs" || full {
									v = rng.NormFloat64()
								} else if i == j && filled == "triangle" {
									v = 1
								}
								c.Shift = append(c.Shift, v)
							}
							for d := range degree + 1 {
								v := 0.0
								if d >= j && filled == "triangle" || filled == "pairs" || full {
									v = rng.NormFloat64()
								}
								c.Add = append(c.Add, v)
							}
							c.Out = append(c.Out, rng.NormFloat64())
						}
						stride := (channels + 3) / 4 * 4
						moments := random(rng, (degree+1)*groups*stride*Lanes)
						state := random(rng, groups*channels*order*Lanes)
						wantState, gotState := append([]complex128(nil), state...), append([]complex128(nil), state...)
						want, got := make([]complex128, groups*channels*Lanes+1), make([]complex128, groups*channels*Lanes+1)
						guard := complex(7, 7)
						want[len(want)-1], got[len(got)-1] = guard, guard
						c.Prepare()
						c.loop = advanceGo
						c.Advance(wantState, moments, want[:len(want)-1], channels, stride)
						c.Prepare()
						c.Advance(gotState, moments, got[:len(got)-1], channels, stride)
						for i := range want {
							if cmplx.Abs(want[i]-got[i]) > 1e-12 {
								t.Fatalf("output %d: %v, want %v", i, got[i], want[i])
							}
						}
						for i := range wantState {
							if cmplx.Abs(wantState[i]-gotState[i]) > 1e-13 {
								t.Fatalf("state %d: %v, want %v", i, gotState[i], wantState[i])
							}
						}
						copy(gotState, state)
						c.Advance(gotState, moments, nil, channels, stride)
						for i := range wantState {
							if cmplx.Abs(wantState[i]-gotState[i]) > 1e-13 {
								t.Fatalf("without an output, state %d: %v, want %v", i, gotState[i], wantState[i])
							}
						}
					})
				}
			}
		}
	}
}
