package simulate

import (
	"fmt"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/rig"
)

// Benches of testdata, the whole way to their files: seconds of recording a second. The
// pipe bench has four channels of 100 kS/s, four probes have 16 of 200 kS/s, all eight
// tones. With every disturbance that simulate has, neither the rate nor the memory depend
// on the duration. In a short run there is one.
func BenchmarkSimulate(b *testing.B) {
	mains := Options{Bits: 16, Noise: 5e-9, MainsHz: 50, MainsV: 10e-6}
	all := mains
	all.FlickerHz, all.CurrentDrift, all.ClockPPM, all.ClockDriftPPM, all.CrosstalkOhm = 300, 5e-4, 31, 0.01, 1e-6
	lengths := []float64{5, 10, 20, 40}
	if testing.Short() {
		lengths = lengths[:1]
	}
	for _, bench := range []struct {
		rig, disturbances string
		how               Options
	}{{"pipe-bench", "mains", mains}, {"pipe-bench", "all", all}, {"four-probes", "mains", mains}, {"four-probes", "all", all}} {
		for _, seconds := range lengths {
			b.Run(fmt.Sprintf("rig=%s/disturbances=%s/seconds=%g", bench.rig, bench.disturbances, seconds), func(b *testing.B) {
				rig := filepath.Join("..", "..", "..", "..", "testdata", "rigs", bench.rig+".rig.yaml")
				out := filepath.Join(b.TempDir(), "run")
				o := bench.how
				o.DurationS, o.Force = seconds, true
				b.ReportAllocs()
				for b.Loop() {
					if _, err := Run(b.Context(), rig, "sweep", out, o, nil); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(b.N)*seconds/b.Elapsed().Seconds(), "×real-time")
			})
		}
	}
}

// The pipe bench as a stream of counts without end, every disturbance on: seconds of
// recording a second.
func BenchmarkGenerator(b *testing.B) {
	r, err := rig.Load(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "pipe-bench.rig.yaml"), rig.Options{})
	if err != nil {
		b.Fatal(err)
	}
	p, err := BuiltinPath("sweep", r, 0, 1)
	if err != nil {
		b.Fatal(err)
	}
	g := generator(b, r, p, Options{Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6, ClockPPM: 31, CurrentDrift: 5e-4}, 0)
	if _, err := g.Change(0, Clock{60}); err != nil {
		b.Fatal(err)
	}
	x := make([]int16, 1000*len(r.Channels))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := g.ReadInt16(x); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)*1000/r.SampleRateHz/b.Elapsed().Seconds(), "×real-time")
}
