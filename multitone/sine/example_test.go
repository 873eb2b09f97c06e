package sine_test

import (
	"context"
	"fmt"
	"math"

	"tonepose/multitone/sine"
)

// A reference whose frequency nobody wrote down, and a signal that follows it.
func ExampleSearch_Find() {
	const rate, hz, n = 10e3, 731.4, 4096
	reference, signal := make([]float64, n), make([]float64, n)
	for i := range reference {
		phase := 2 * math.Pi * hz * float64(i) / rate
		reference[i], signal[i] = math.Cos(phase), 0.01*math.Cos(phase-0.5)
	}
	s := sine.NewSearch(rate, n)
	s.Write(reference, signal) // in blocks of any length
	tone, err := s.Find(context.Background(), 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f Hz\n", tone.Model.Hz)
	// Output: 731.40 Hz
}
