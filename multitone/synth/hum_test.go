package synth

import (
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"testing"
)

// The hum is the sum of its harmonics, whatever their number and the sample's: here
// from the first one on, and after an hour. The phases of the sum are taken from exact
// fractions.
func TestHumAgainstTheSumOfItsHarmonics(t *testing.T) {
	const rate, hz, peak = 48000.0, 50.0123, 0.01
	for _, harmonics := range []int{1, 2, 9, 80, 500} {
		for _, first := range []int64{0, 3600 * 48000} {
			t.Run(fmt.Sprintf("harmonics=%d/first=%d", harmonics, first), func(t *testing.T) {
				h := newHum(Mains{Hz: hz, Harmonics: harmonics}, peak, rand.New(rand.NewPCG(1, 2)))
				got := make([]float64, chunk, chunk+humAtOnce)
				h.set(got, first, rate)
				phases := make([]float64, harmonics)
				random := rand.New(rand.NewPCG(1, 2))
				for n := range phases {
					phases[n] = 2 * math.Pi * random.Float64()
				}
				// The sample's time in cycles is rounded three times; harmonic n turns n
				// times as fast with 1/n of the amplitude. Their sum, here and there, is
				// rounded as often as it has terms, each at most peak/n.
				cycles := hz * float64(first+chunk) / rate
				const unit = 0x1p-53
				size := peak * (1 + math.Log(float64(harmonics)))
				tolerance := 2*math.Pi*peak*float64(harmonics)*3*unit*(cycles+1) + float64(2*harmonics+20)*unit*size
				for i := 0; i < len(got); i += 17 {
					v := got[i]
					turns := new(big.Rat).Mul(new(big.Rat).SetFloat64(hz), big.NewRat(first+int64(i), int64(rate)))
					want := 0.0
					for n := 1; n <= harmonics; n++ {
						of := new(big.Rat).Mul(turns, big.NewRat(int64(n), 1))
						whole := new(big.Int).Div(of.Num(), of.Denom())
						part, _ := of.Sub(of, new(big.Rat).SetInt(whole)).Float64()
						want += peak / float64(n) * math.Cos(2*math.Pi*part+phases[n-1])
					}
					if math.Abs(v-want) > tolerance {
						t.Fatalf("sample %d: %.17g V, want %.17g V within %.2g", i, v, want, tolerance)
					}
				}
			})
		}
	}
}

func BenchmarkHum(b *testing.B) {
	h, v := newHum(Mains{Hz: 50, Harmonics: 80}, 1, newNormals(1, 3).random), make([]float64, stretch, stretch+humAtOnce)
	for first := int64(0); b.Loop(); first += stretch {
		h.set(v, first, 200e3)
	}
	b.ReportMetric(1e-6*stretch*float64(b.N)/b.Elapsed().Seconds(), "Msamples/s")
}
