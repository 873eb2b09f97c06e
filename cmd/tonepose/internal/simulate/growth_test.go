package simulate_test

import (
	"fmt"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/growth"
	"tonepose/cmd/tonepose/internal/simulate"
)

// Benches of testdata, the whole way to their files: seconds of recording a second. The
// pipe bench has four channels of 100 kS/s, four probes have 16 of 200 kS/s, all eight
// tones. With every disturbance that simulate has, neither the rate nor the memory depend
// on the duration. In a short run there is one.
func BenchmarkSimulate(b *testing.B) {
	mains := simulate.Options{Bits: 16, Noise: 5e-9, MainsHz: 50, MainsV: 10e-6}
	all := mains
	all.FlickerHz, all.CurrentDrift, all.ClockPPM, all.ClockDriftPPM, all.CrosstalkOhm = 300, 5e-4, 31, 0.01, 1e-6
	for _, bench := range []struct {
		rig, disturbances string
		how               simulate.Options
	}{{"pipe-bench", "mains", mains}, {"pipe-bench", "all", all}, {"four-probes", "mains", mains}, {"four-probes", "all", all}} {
		b.Run(fmt.Sprintf("rig=%s/disturbances=%s", bench.rig, bench.disturbances), func(b *testing.B) {
			rig := filepath.Join("..", "..", "..", "..", "testdata", "rigs", bench.rig+".rig.yaml")
			grow(b, 5, func(b *testing.B, seconds float64) (string, string, simulate.Options) {
				o := bench.how
				o.DurationS = seconds
				return rig, "sweep", o
			})
		})
	}
}

// BenchmarkSimulatePath simulates the pipe bench along timed poses of a file, one every 5 ms:
// those of the truth of another run.
func BenchmarkSimulatePath(b *testing.B) {
	rig := filepath.Join("..", "..", "..", "..", "testdata", "rigs", "pipe-bench.rig.yaml")
	grow(b, 4, func(b *testing.B, seconds float64) (string, string, simulate.Options) {
		o := simulate.Options{Bits: 16, Noise: 5e-9, DurationS: seconds}
		name := filepath.Join(b.TempDir(), "path")
		if _, err := simulate.Run(b.Context(), rig, "sweep", name, o, nil); err != nil {
			b.Fatal(err)
		}
		o.DurationS = 0 // that of the path
		return rig, name + ".truth.csv", o
	})
}

// grow simulates longer and longer.
func grow(b *testing.B, first float64, run func(b *testing.B, seconds float64) (rig, path string, o simulate.Options)) {
	growth.Row{Length: "seconds", First: first, Rate: "×real-time", Prepare: func(b *testing.B, seconds float64) func() error {
		rig, path, o := run(b, seconds)
		out := filepath.Join(b.TempDir(), "run")
		o.Force = true
		return func() error {
			_, err := simulate.Run(b.Context(), rig, path, out, o, nil)
			return err
		}
	}}.Run(b)
}
