package synth_test

import (
	"fmt"
	"io"
	"math"

	"tonepose/multitone/synth"
)

// A drive of 2 A through a shunt of half an ohm, as its channel sees it.
func ExampleGenerator_ReadPlanar() {
	g, err := synth.New(synth.Config{
		Rate: 10e3, Samples: 1000,
		Tones:    []synth.Tone{{Hz: 1000, Current: 2}},
		Channels: []synth.Channel{{Transimpedance: []complex128{0.5}}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	x := [][]float64{make([]float64, 1000)}
	n, err := g.ReadPlanar(x)
	if err != nil && err != io.EOF {
		fmt.Println(err)
		return
	}
	var squares float64
	for _, v := range x[0] {
		squares += v * v
	}
	fmt.Printf("%d samples, %.4f V rms\n", n, math.Sqrt(squares/float64(n)))
	// Output: 1000 samples, 0.7071 V rms
}
