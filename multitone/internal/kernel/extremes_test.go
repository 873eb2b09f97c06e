package kernel

import (
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

// The definition itself, for every number of channels up to 40 and lengths
// that leave every remainder.
func TestExtremesMatchTheDefinition(t *testing.T) {
	varianttest.Each(t, extremesKernel, testExtremes)
}

func testExtremes(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for channels := 1; channels <= 40; channels++ {
		for _, frames := range []int{1, 2, 15, 16, 17, 129, 1000, 70000 / channels} {
			x := make([]byte, 2*channels*frames+1)[1:] // not aligned
			low, high, sum := make([]int16, channels), make([]int16, channels), make([]int64, channels)
			for c := range channels {
				low[c], high[c] = 32767, -32768
			}
			for i := range channels * frames {
				v := int16(rng.Uint32())
				if i%5 == 0 {
					v = -32768
				}
				binary.LittleEndian.PutUint16(x[2*i:], uint16(v))
				c := i % channels
				low[c], high[c], sum[c] = min(low[c], v), max(high[c], v), sum[c]+int64(v)
			}
			gotLow, gotHigh, gotSum := make([]int16, channels), make([]int16, channels), make([]int64, channels)
			Extremes(gotLow, gotHigh, gotSum, x)
			if !slices.Equal(gotLow, low) || !slices.Equal(gotHigh, high) || !slices.Equal(gotSum, sum) {
				t.Fatalf("%d channels, %d frames: %v %v %v, want %v %v %v", channels, frames, gotLow, gotHigh, gotSum, low, high, sum)
			}
		}
	}
}

func BenchmarkExtremes(b *testing.B) {
	const channels = 12
	x := make([]byte, 2*channels*1024)
	low, high, sum := make([]int16, channels), make([]int16, channels), make([]int64, channels)
	b.SetBytes(int64(len(x)))
	for b.Loop() {
		Extremes(low, high, sum, x)
	}
}
