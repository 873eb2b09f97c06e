package clock_test

import (
	"fmt"
	"math"

	"tonepose/multitone"
	"tonepose/multitone/clock"
)

// The generator's clock is 20 ppm faster than the recorder's: a tone of 5 kHz comes
// out 0.1 Hz higher.
func ExampleTracker() {
	const rate, n = 100e3, 200_000
	tones := []multitone.Tone{{Name: "e1", Hz: 5000, Reference: multitone.OnChannel(0)}}
	tracker, err := clock.NewTracker(clock.Common, rate, tones)
	if err != nil {
		fmt.Println(err)
		return
	}
	drive := make([]float64, n)
	for i := range drive {
		drive[i] = math.Cos(2 * math.Pi * 5000 * (1 + 20e-6) * float64(i) / rate)
	}
	if err := tracker.Write([][]float64{drive}); err != nil {
		fmt.Println(err)
		return
	}
	track, err := tracker.Finish()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f Hz\n", track.HzAt(0, 1))
	// Output: 5000.1000 Hz
}
