package kernel

import (
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

// Every variant rounds some ten times on the way: 16·2⁻⁵³ of the sum of the sizes of what
// is added.
func TestInduceMatchesGo(t *testing.T) {
	guard := math.Float64frombits(0x7ff8dead00000001)
	varianttest.Each(t, induceKernel, func(t *testing.T) {
		r := rand.New(rand.NewPCG(1, 1))
		for n := range 40 {
			for odd := range 4 {
				got, re, dre := make([]float64, odd+n+1), make([]float64, odd+n), make([]float64, odd+n)
				var m [4]float64
				for k := range m {
					m[k] = r.NormFloat64()
				}
				u, step := r.Float64(), 0.01*r.Float64()
				for i := range re {
					got[i], re[i], dre[i] = r.NormFloat64(), r.NormFloat64(), r.NormFloat64()
				}
				got[odd+n] = guard
				want := append([]float64(nil), got...)
				induceGo(want[odd:odd+n], re[odd:], dre[odd:], m, u, step)
				before := append([]float64(nil), got...)
				Induce(got[odd:odd+n], re[odd:], dre[odd:], m, u, step)
				for i := range got {
					if i < odd || i == odd+n {
						if math.Float64bits(got[i]) != math.Float64bits(before[i]) {
							t.Fatalf("n = %d: written beside the output", n)
						}
						continue
					}
					x := u + float64(i-odd)*step
					size := math.Abs(before[i]) + math.Abs(dre[i])*(math.Abs(m[0])+x*(math.Abs(m[1])+x*(math.Abs(m[2])+x*math.Abs(m[3])))) +
						math.Abs(re[i])*(math.Abs(m[1])+x*(2*math.Abs(m[2])+3*x*math.Abs(m[3])))
					if math.Abs(got[i]-want[i]) > 16*0x1p-53*size {
						t.Fatalf("n = %d: sample %d is %g, want %g", n, i-odd, got[i], want[i])
					}
				}
			}
		}
	})
}

// Each number is rounded three or four times on the way: 4·2⁻⁵³ of the sum of the sizes of
// what is added, in either.
func TestRotateMatchesGo(t *testing.T) {
	guard := math.Float64frombits(0x7ff8dead00000001)
	varianttest.Each(t, rotateKernel, func(t *testing.T) {
		r := rand.New(rand.NewPCG(1, 1))
		for n := range 40 {
			for odd := range 4 {
				c, s := make([]float64, odd+n), make([]float64, odd+n)
				for i := range c {
					c[i], s[i] = r.NormFloat64(), r.NormFloat64()
				}
				z, omega := complex(r.NormFloat64(), r.NormFloat64()), 1+r.Float64()
				var got [4][]float64
				for k := range got {
					got[k] = make([]float64, odd+n+1)
					for i := range got[k] {
						got[k][i] = guard
					}
				}
				at := func(k int) []float64 { return got[k][odd : odd+n] }
				Rotate(at(0), at(1), at(2), at(3), c[odd:], s[odd:], z, omega)
				for k := range got {
					for i, v := range got[k] {
						if i < odd || i == odd+n {
							if math.Float64bits(v) != math.Float64bits(guard) {
								t.Fatalf("n = %d: written beside output %d", n, k)
							}
							continue
						}
						y := z * complex(c[i], s[i])
						size := math.Abs(real(z)*c[i]) + math.Abs(imag(z)*s[i]) + math.Abs(real(z)*s[i]) + math.Abs(imag(z)*c[i])
						want := [4]float64{real(y), imag(y), -omega * imag(y), omega * real(y)}[k]
						if k > 1 {
							size *= omega
						}
						if math.Abs(v-want) > 2*4*0x1p-53*size {
							t.Fatalf("n = %d: sample %d of output %d is %g, want %g", n, i-odd, k, v, want)
						}
					}
				}
			}
		}
	})
}
