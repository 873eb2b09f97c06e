package source

import (
	"fmt"
	"math"
	"os/exec"
	"strings"
	"testing"

	"tonepose/multitone/recording"
)

// A program that plays into a pipe: a sine of a known frequency and amplitude in two channels, the second a quarter turn
// late, in every form that it writes. Least squares gives them back.
func TestSoX(t *testing.T) {
	sox, err := exec.LookPath("sox")
	if err != nil {
		t.Skip("left out: no sox here (Debian: apt-get install sox)")
	}
	const rate, hz, samples = 8000, 440, 20_000
	for _, c := range []struct {
		args string
		o    recording.Options
	}{
		{"-t wav -b 16", recording.Options{}},
		{"-t wav -b 24", recording.Options{}},
		{"-t wav -e float -b 32", recording.Options{}},
		{"-t raw -e signed -b 16", recording.Options{Format: "ri16_le", SampleRate: rate, Channels: 2}},
		{"-t raw -e unsigned -b 8", recording.Options{Format: "ru8", SampleRate: rate, Channels: 2}},
		{"-t raw -e signed -b 24 -B", recording.Options{Format: "ri24_be", SampleRate: rate, Channels: 2}},
		{"-t raw -e float -b 64", recording.Options{Format: "rf64_le", SampleRate: rate, Channels: 2}},
	} {
		command := exec.CommandContext(t.Context(), sox, strings.Fields(fmt.Sprintf("-D -r %d -n -c 2 %s - synth %ds sine %d 0 0 sine %d 0 75 gain -6", rate, c.args, samples, hz, hz))...)
		out, err := command.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := command.Start(); err != nil {
			t.Fatal(err)
		}
		c.o.Stdin = out
		c.o.FullScale = []float64{1}
		src, err := Open(t.Context(), "-", Options{Reading: c.o})
		if err != nil {
			t.Errorf("%s: %v", c.args, err)
			continue
		}
		if in := src.Info(); in.SampleRate != rate || in.Channels != 2 {
			t.Errorf("%s: info %+v", c.args, in)
		}
		x := [][]float64{make([]float64, 3000), make([]float64, 3000)}
		var re, im [2]float64
		n := 0
		for {
			got, err := src.ReadPlanar(x)
			if err != nil {
				break
			}
			for i := range got {
				sin, cos := math.Sincos(2 * math.Pi * hz / rate * float64(n+i))
				for c := range x {
					re[c] += 2 * x[c][i] * cos / samples
					im[c] -= 2 * x[c][i] * sin / samples
				}
			}
			n += got
		}
		if n != samples || len(src.Lost()) != 0 {
			t.Errorf("%s: %d samples, lost %v", c.args, n, src.Lost())
		}
		src.Close()
		if err := command.Wait(); err != nil {
			t.Errorf("%s: %v", c.args, err)
		}
		// A whole number of periods; rounding to 8 bits, uniform over a code of 1/128, leaves each component an rms error of
		// √(2/n)/(128·√12): 2.3e-5.
		amplitude := math.Pow(10, -6.0/20)
		for ch, want := range [][2]float64{{0, -amplitude}, {-amplitude, 0}} {
			if math.Abs(re[ch]-want[0]) > 3e-4 || math.Abs(im[ch]-want[1]) > 3e-4 {
				t.Errorf("%s: channel %d has %.5f %+.5fj, want %.5f %+.5fj", c.args, ch, re[ch], im[ch], want[0], want[1])
			}
		}
	}
}
