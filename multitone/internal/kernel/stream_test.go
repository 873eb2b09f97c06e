package kernel

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

// The loops in assembly must give what those in Go give, raw and referred, for
// channels that leave every remainder; no more is written than the rows. A
// rounding is 2⁻⁵³ of the largest sum, and there are a few hundred.
func TestStreamMatchesGo(t *testing.T) { varianttest.Each(t, streamKernel, testStream) }

func testStream(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	for _, order := range []int{1, 4, 8} {
		for _, channels := range []int{1, 3, 4, 6, 11, 12, 13, 17, 20, 32} {
			for _, tones := range []int{1, 8, 9} {
				t.Run(fmt.Sprintf("order=%d/channels=%d/tones=%d", order, channels, tones), func(t *testing.T) {
					volts, omega := make([]float64, channels), make([]float64, tones)
					for c := range volts {
						volts[c] = 1 + rng.Float64()
					}
					references, ahead := make([]int, tones), make([][]complex128, Longest)
					for k := range omega {
						omega[k] = 3 * rng.Float64()
						references[k] = rng.IntN(channels)
						if channels%4 == 0 { // tones that share a reference have a way of their own
							references[k] = channels / 2
						}
					}
					for u := range ahead {
						ahead[u] = random(rng, tones)
					}
					fast, slow := NewStream(order, 0.05, tones, volts), NewStream(order, 0.05, tones, volts)
					slow.loops = portableStream
					fast.Tune(omega)
					slow.Tune(omega)
					for piece, n := range []int{Longest, 1, 7, Longest, 5} {
						var r, q *Referral
						if piece != 2 {
							r, q = fast.NewReferral(references, ahead), slow.NewReferral(references, ahead)
						}
						fast.ReferTo(r)
						slow.ReferTo(q)
						x := make([]int16, n*channels)
						for i := range x {
							x[i] = int16(rng.Uint32())
						}
						if piece == 0 {
							clear(x) // references of size 0
						}
						inside, untouched := guard[float64](t, 2*n*fast.Size())
						got, want := complexes(inside), make([]complex128, n*fast.Size())
						fast.Counts(got, x)
						slow.Counts(want, x)
						untouched()
						const limit = 1e-12 * 2 * 32768
						for u := range n {
							scale := 1.0
							if r == nil {
								scale = fast.Decay(u)
							}
							for i, w := range want[u*fast.Size() : (u+1)*fast.Size()] {
								if d := cmplx.Abs(got[u*fast.Size()+i]-w) * scale; !(d < limit) {
									t.Fatalf("piece %d, row %d, number %d: off by %.2g", piece, u, i, d)
								}
							}
							if r == nil {
								continue
							}
							for k, c := range references {
								if v := got[u*fast.Size()+k*channels+c]; imag(v) != 0 || math.Signbit(real(v)) {
									t.Fatalf("row %d: reference of tone %d is %v", u, k, v)
								}
								if d := cmplx.Abs(r.Row(u)[k] - q.Row(u)[k]); !(d < 10*limit) { // |ahead| may be some 4
									t.Fatalf("row %d: reference's phasor of tone %d off by %.2g", u, k, d)
								}
							}
						}
					}
				})
			}
		}
	}
}
