package kernel

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

// The nearest count, as 754-2019 of IEEE has roundToIntegralTiesToEven: the whole number
// below or above, whichever is nearer, and the even one of two as near.
func nearestCount(x float64) float64 {
	below := math.Floor(x)
	switch d := x - below; {
	case d > 0.5 || d == 0.5 && math.Mod(below, 2) != 0:
		return below + 1
	}
	return below
}

// Every number is rounded alike by all variants, to the bit: quotient, rounding and product
// are each exact to rounding.
func TestQuantiseRoundsAndClips(t *testing.T) {
	guard := math.Float64frombits(0x7ff8dead00000001)
	some := []float64{0.5, 1.5, -0.5, -1.5, 2.5, 126.5, 127, 127.5, 128, -128, -128.5, -129, math.NaN(), math.Inf(1), math.Inf(-1), 0}
	varianttest.Each(t, quantiseKernel, func(t *testing.T) {
		r := rand.New(rand.NewPCG(1, 1))
		for n := range 40 {
			for odd := range 4 {
				const unit, top, step = 0.25, 128, 3.0
				v, got := make([]float64, odd+n), make([]float64, odd+n+1)
				for i := range v {
					if v[i] = 100 * unit * r.NormFloat64(); r.IntN(2) == 0 {
						v[i] = unit * some[r.IntN(len(some))]
					}
				}
				for i := range got {
					got[i] = guard
				}
				clipped, wantClipped := Quantise(got[odd:odd+n], v[odd:], unit, top, step), 0
				for i, g := range got {
					if i < odd || i == odd+n {
						if math.Float64bits(g) != math.Float64bits(guard) {
							t.Fatalf("n = %d: written beside the output", n)
						}
						continue
					}
					x := v[i] / unit
					want := 0.0
					if x == x {
						want = nearestCount(x)
					}
					if want < -top || want > top-1 {
						want = min(max(want, -top), top-1)
						wantClipped++
					}
					if g != want*step {
						t.Fatalf("n = %d: %g became %g, want %g", n, v[i], g, want*step)
					}
				}
				if clipped != wantClipped {
					t.Fatalf("n = %d: %d clipped, want %d", n, clipped, wantClipped)
				}
			}
		}
	})
}

// Counts are those of Quantise at 16 bits, wherever they lie.
func TestCountsAreThoseOfQuantise(t *testing.T) {
	varianttest.Each(t, countsKernel, func(t *testing.T) {
		r := rand.New(rand.NewPCG(1, 1))
		for n := range 40 {
			for stride := 2; stride <= 7; stride++ {
				const unit = 0.25
				v, want := make([]float64, n), make([]float64, n)
				for i := range v {
					switch r.IntN(8) {
					case 0:
						v[i] = []float64{math.NaN(), math.Inf(1), math.Inf(-1), 32767.5 * unit, -32768.5 * unit, 1e300}[r.IntN(6)]
					case 1:
						v[i] = unit * (math.Floor(100*r.NormFloat64()) + 0.5)
					default:
						v[i] = 20000 * unit * r.NormFloat64()
					}
				}
				quantiseGo(want, v, unit, 1<<15, 1)
				got := bytes.Repeat([]byte{0xa5}, n*stride+2)
				Counts(got, stride, v, unit)
				for i := range n {
					at := got[i*stride:]
					if c := int16(uint16(at[0]) | uint16(at[1])<<8); float64(c) != want[i] {
						t.Fatalf("n = %d: %g is %d, want %g", n, v[i]/unit, c, want[i])
					}
					at[0], at[1] = 0xa5, 0xa5
				}
				if bytes.Count(got, []byte{0xa5}) != len(got) {
					t.Fatalf("n = %d, stride %d: written between the counts", n, stride)
				}
			}
		}
	})
}

func BenchmarkQuantise(b *testing.B) {
	v := make([]float64, 1024)
	r := rand.New(rand.NewPCG(1, 1))
	for i := range v {
		v[i] = r.NormFloat64()
	}
	dst := make([]float64, len(v))
	for b.Loop() {
		Quantise(dst, v, 1e-4, 1<<15, 1e-4)
	}
	b.ReportMetric(1e-6*float64(b.N*len(v))/b.Elapsed().Seconds(), "Msamples/s")
}
