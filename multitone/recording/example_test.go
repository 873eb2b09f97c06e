package recording_test

import (
	"context"
	"fmt"
	"io"
	"log"
	"strings"

	"tonepose/multitone/recording"
)

// A logger's table on standard input: two channels, one value missing and a pause of three samples. Invented data.
func Example() {
	table := `time_s;drive;rx1
0,000;0,25;0,011
0,001;0,50;0,012
0,002;0,25;
0,006;0,50;0,013
0,007;0,25;0,011
`
	r, err := recording.Open(context.Background(), "-", recording.Options{Stdin: strings.NewReader(table)})
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()
	in := r.Info()
	fmt.Printf("%s, %g Hz, %v, %d samples\n", in.Format, in.SampleRate, in.Names, in.Samples)

	m := recording.NewMonitor(in)
	r.Watch(m)
	block := [][]float64{make([]float64, 4), make([]float64, 4)}
	for {
		n, err := r.ReadPlanar(block)
		if err == io.EOF {
			break
		}
		if err != nil {
			log.Fatal(err)
		}
		fmt.Println(block[1][:n])
	}
	for _, line := range m.Summary() {
		fmt.Println(line)
	}
	fmt.Printf("rx1, samples 3 to 5: %q\n", m.Flags(1, 3, 5))
	// Output:
	// CSV, 1000 Hz, [drive rx1], 5 samples
	// [0.011 0.012 0.012 0.013]
	// [0.011]
	// all channels: gap in 1 place, first at 0.006 s (sample 3)
	// rx1: gap, 1 sample in 1 place, first at 0.002 s (sample 2)
	// rx1, samples 3 to 5: ""
}
